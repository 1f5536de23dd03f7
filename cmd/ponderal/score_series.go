package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"ponderal.example/internal/record"
)

// writeMechanics says where the handling of the loads changed.
func writeMechanics(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "first at trial", "last at trial", "highest grade", "signs"}}
	for _, c := range f.Capacities {
		m := c.Mechanics
		if m == nil {
			continue
		}
		signs := make([]string, len(m.Signs))
		for i, s := range m.Signs {
			signs[i] = words(s)
		}
		rows = append(rows, []string{
			strconv.Itoa(c.SeriesNumber), fmt.Sprintf("%d, %s", m.OnsetTrial, massText(&m.OnsetLoad)), fmt.Sprintf("%d, %s", m.EndTrial, massText(&m.EndLoad)),
			gradeText(m.HighestGrade), strings.Join(signs, ", "),
		})
	}
	section(out, "Changes in how the loads were handled", rows)
}

// gradeText is a grade of a sign with its word.
func gradeText(grade int) string {
	names := []string{"steady", "shift", "marked", "unsafe"}
	if grade < 0 || grade >= len(names) {
		return strconv.Itoa(grade)
	}
	return strconv.Itoa(grade) + ", " + names[grade]
}

func writeCeilings(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "by", "ceiling", "how"}}
	for _, c := range f.Capacities {
		for _, l := range c.Ceilings {
			rows = append(rows, []string{strconv.Itoa(c.SeriesNumber), words(l.Basis), massText(l.Load), l.Text})
		}
	}
	section(out, "Load ceilings of the protocols for this person", rows)
}

// writeAerobic gives a source once, below the rows.
func writeAerobic(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "trial", "steady heart rate", "share of the reserve", "sustainable for"}}
	var sources []string
	for _, c := range f.Capacities {
		a := c.Aerobic
		if a == nil {
			continue
		}
		rows = append(rows, []string{
			strconv.Itoa(c.SeriesNumber), strconv.Itoa(a.Trial), strconv.Itoa(a.SteadyHeartRate) + " bpm", a.PercentOfReserve + " %", a.SustainableFor,
		})
		sources = addOnce(sources, a.Source)
	}
	section(out, "Aerobic demand, estimated from the heart rate", rows)
	writeSources(out, sources)
}

func writeProjected(out io.Writer, list []record.ProjectedCapacity) {
	rows := [][]string{{"zone", "pace", "projected", "from"}}
	var sources []string
	for _, p := range list {
		rows = append(rows, []string{
			zoneText(p.Zone), words(p.Pace), massText(&p.Load), fmt.Sprintf("%d %% of series %d, %s pace", p.Percent, p.FromSeries, p.FromPace),
		})
		sources = addOnce(sources, p.Source)
	}
	section(out, "Capacities, projected by rule and not measured", rows)
	writeSources(out, sources)
}

func addOnce(list []string, text string) []string {
	for _, have := range list {
		if have == text {
			return list
		}
	}
	if text == "" {
		return list
	}
	return append(list, text)
}

// writeSources says once what rows above share.
func writeSources(out io.Writer, sources []string) {
	for _, s := range sources {
		paragraph(out, "  Source: ", s)
	}
}
