package main

import (
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/deskwork"
)

// forceUnit is that in which the psychophysical equations give forces; newtonsEach is one of it (standard gravity, 3rd CGPM 1901).
const (
	forceUnit   = "kgf"
	newtonsEach = 9.80665
)

func writePercentile(out io.Writer, h deskwork.Handled) {
	title(out, "Share of workers who accept the task (Potvin and others 2021)")
	heading(out, fmt.Sprintf("Accepted by %s %% of workers of that sex", decimals(100*h.Accepting, 1)))
	quantity := func(v float64) string {
		if h.Unit == forceUnit {
			return fmt.Sprintf("%s kgf (%s N)", decimals(v, 1), decimals(v*newtonsEach, 0))
		}
		return decimals(v, 1) + " " + h.Unit
	}
	writeTable(out, [][]string{
		{"figure", "value"},
		{fmt.Sprintf("acceptable to %d %%", h.DesignPercent), quantity(h.Acceptable)},
		{"acceptable to half (median)", quantity(h.Median)},
		{"standard deviation", quantity(h.Deviation)},
		{"coefficient of variation", decimals(h.CV, 3)},
	})
	rows := [][]string{{"factor", "value"}, {"reference", quantity(h.Reference)}}
	for _, f := range h.Factors {
		rows = append(rows, []string{f.Name, number(f.Value)})
	}
	section(out, "What the median is made of: the reference times each factor", rows)
	writeNotes(out, "Cautions", h.Cautions)
}

// decimals writes a figure with so many places.
func decimals(v float64, places int) string { return strconv.FormatFloat(v, 'f', places, 64) }

// lengthText is a length in centimetres and inches.
func lengthText(l deskwork.Length) string {
	return fmt.Sprintf("%s cm (%s in)", decimals(l.In("cm"), 1), decimals(l.In("in"), 1))
}

func writeBody(out io.Writer, b deskwork.BodyLimits) {
	title(out, "Station heights and load ceilings, estimated from stature and body mass")
	section(out, "Station heights", [][]string{
		{"station", "height above the floor"}, {"floor", lengthText(b.Stations.Floor)}, {"waist", lengthText(b.Stations.Waist)},
		{"shoulder", lengthText(b.Stations.Shoulder)}, {"overhead", lengthText(b.Stations.Overhead)}, {"highest grip", lengthText(b.Stations.HighestGrip)},
	})
	rows := [][]string{{"landmark", "height above the floor"}}
	for _, l := range b.Landmarks {
		rows = append(rows, []string{l.Name, lengthText(l.Height)})
	}
	section(out, "Landmarks of the standing body", rows)
	if b.Fraction != nil {
		heading(out, fmt.Sprintf("Ceiling at %d %% of body mass: %s", b.Percent, massText(b.Fraction)))
		paragraph(out, "  ", b.FractionSource)
	}
	writeCompression(out, b)
	heading(out, "What the model leaves out")
	for _, l := range b.LeftOut {
		point(out, "%s", l)
	}
	heading(out, "Sources")
	for _, s := range b.Sources {
		point(out, "%s", s)
	}
	writeNotes(out, "Cautions", b.Cautions)
}

func writeCompression(out io.Writer, b deskwork.BodyLimits) {
	rows := [][]string{{"zone", "ceiling", "set at", "trunk", "compression, empty", "at the ceiling", "shear"}}
	loads := [][]string{{"zone", "hands at", "trunk", "compression", "shear", "within"}}
	for _, c := range b.Ceilings {
		if c.NotComputed != "" {
			rows = append(rows, []string{zoneText(c.Zone), c.NotComputed, "-", "-", "-", "-", "-"})
			continue
		}
		ceiling := massText(c.Load)
		if c.Load == nil {
			ceiling = "none: the body alone reaches it"
		}
		rows = append(rows, []string{
			zoneText(c.Zone), ceiling, decimals(c.AtCeiling.At.Height.In("cm"), 1) + " cm", degreesText(c.AtCeiling.TrunkDegrees),
			newtons(c.Empty.Forces.Compression), newtons(c.AtCeiling.Forces.Compression), newtons(c.AtCeiling.Forces.Shear),
		})
		for _, e := range c.AtLoad {
			within := "yes"
			if e.Forces.Compression > float64(b.CriterionNewtons) {
				within = "no"
			}
			loads = append(loads, []string{zoneText(c.Zone), decimals(e.At.Height.In("cm"), 1) + " cm", degreesText(e.TrunkDegrees), newtons(e.Forces.Compression), newtons(e.Forces.Shear), within})
		}
	}
	section(out, fmt.Sprintf("Ceiling by the compression at L5/S1: %d N, muscle at %d mm, load %s before the ankles",
		b.CriterionNewtons, b.MuscleArmMM, lengthText(b.Forward)), rows)
	section(out, "With the load of "+massText(b.Load), loads)
}

func degreesText(v float64) string { return decimals(v, 1) + "\u00b0" }

func newtons(v float64) string { return decimals(v, 0) + " N" }

func writeStrength(out io.Writer, s deskwork.Strengths) {
	title(out, "Strength levels (US Dictionary of Occupational Titles, Appendix C); a series is a place in the file")
	if s.Match != nil {
		writeOutcome(out, s.Match)
	}
	writeLevels(out, s.Zones, s.Overall)
	writeProjected(out, s.Projected)
	if s.Demand != "" {
		fmt.Fprintf(out, "\nThe tasks demand: %s\n", words(s.Demand))
	}
	if s.Match != nil {
		section(out, "Tasks", taskRows(s.Match.Tasks))
	}
	writeNotes(out, "Cautions", s.Cautions)
}
