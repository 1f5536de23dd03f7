package main

import (
	"context"
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/rpc"
)

func taskCommand() command {
	return command{
		name:      "task",
		arguments: "FILE",
		about:     "Rate lifting tasks by the revised NIOSH lifting equation at a desk.",
		detail: `FILE is the API's own request as JSON (AnalyzeLiftingRequest: form, duration and one or several tasks); "-" reads
standard input. The answer has the recommended weight limit (RWL) and the lifting index (LI) of each end of each lift,
rounded as the manual's worksheets are and at full precision, and of several tasks the composite index. Conditions that
the equation does not cover are refused. It rates a task, not a person, and is no clearance to lift. What is wrong is
named by field and rule. Exit status 0 when it was rated, 1 when not.`,
		examples: []string{"ponderal task testdata/examples/lifting.json", "ponderal task -json - < lifting.json"},
		run:      runTask,
	}
}

func runTask(_ context.Context, w world, f *flags) error {
	return runDesk(w, f, (*rpc.Desk).AnalyzeLifting, writeLifted)
}

func writeLifted(out io.Writer, l deskwork.Lifted) {
	fmt.Fprintf(out, "Revised NIOSH lifting equation, %s form, %s duration; limits in %s. Nothing was stored.\n\n", l.Form, l.Duration, l.Unit())
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
