package main

import (
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/deskwork"
)

func writeLifted(out io.Writer, l deskwork.Lifted) {
	title(out, fmt.Sprintf("Revised NIOSH lifting equation, %s form, %s duration; limits in %s", l.Form, l.Duration, l.Unit()))
	fmt.Fprintln(out)
	rows := [][]string{{"task", "end", "HM", "VM", "DM", "AM", "FM", "CM", "RWL", "LI", "RWL, full", "LI, full"}}
	for i, p := range l.Parts {
		rows = append(rows, pointRow(l.Names[i], "origin", p.Analysis.Origin))
		if p.Analysis.DestinationAssessed {
			rows = append(rows, pointRow("", "destination", p.Analysis.Destination))
		}
	}
	writeTable(out, rows)
	if len(l.Parts) > 1 {
		writeComposite(out, l)
	}
	writeNotes(out, "Cautions", l.Cautions)
}

func pointRow(name, end string, p deskwork.LiftingPoint) []string {
	row := []string{name, end}
	for _, m := range []deskwork.LiftingMultiplier{p.HM, p.VM, p.DM, p.AM, p.FM, p.CM} {
		row = append(row, fixed(int64(m.Hundredths), 100))
	}
	return append(row, fixed(p.RWLTenths, 10), sheetIndex(p.WorksheetLI), number(p.RWL), index(p.LI))
}

func writeComposite(out io.Writer, l deskwork.Lifted) {
	fmt.Fprintln(out)
	rows := [][]string{{"order", "task", "STLI", "STLI, full", "FILI, full", "adds, full"}}
	for place := 1; place <= len(l.Parts); place++ {
		for i, p := range l.Parts {
			if p.Number == place {
				rows = append(rows, []string{strconv.Itoa(place), l.Names[i], sheetIndex(p.WorksheetSTLI), index(p.STLI), index(p.FILI), index(p.Increment)})
			}
		}
	}
	writeTable(out, rows)
	fmt.Fprintf(out, "\nComposite lifting index (CLI): %s by the worksheet, %s at full precision\n", sheetIndex(l.WorksheetCLI), index(l.Composite))
}

// fixed writes n units of one part in so many, n not below zero, with all its decimals.
func fixed(n, parts int64) string {
	return fmt.Sprintf("%d.%0*d", n/parts, len(strconv.FormatInt(parts, 10))-1, n%parts)
}

func sheetIndex(i deskwork.WorksheetIndex) string {
	if i.Unlimited {
		return "no load"
	}
	return fixed(i.Tenths, 10)
}

func index(i deskwork.LiftingIndex) string {
	if i.Unlimited {
		return "no load"
	}
	return number(i.Value)
}

// number is a computed value with three decimals.
func number(v float64) string { return strconv.FormatFloat(v, 'f', 3, 64) }
