package main

import (
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/record"
)

// writeHandStrengths puts each hand series on a row, and its places among norms below.
func writeHandStrengths(out io.Writer, list []record.HandStrength) {
	rows := [][]string{{"hand series", "measure", "hand", "procedure", "strength", "readings", "variation"}}
	norms := [][]string{{"hand series", "norm", "percentile", "source"}}
	for _, h := range list {
		variation := "-"
		if h.VariationPercent != "" {
			variation = h.VariationPercent + " %"
		}
		rows = append(rows, []string{
			strconv.Itoa(h.SeriesNumber), words(h.Measure), words(h.Hand), words(h.Procedure), massText(&h.Strength), strconv.Itoa(h.Trials), variation,
		})
		for _, n := range h.Norms {
			norms = append(norms, []string{strconv.Itoa(h.SeriesNumber), words(n.Norm), percentileText(n), n.Source})
		}
	}
	section(out, "Hand strength", rows)
	section(out, "Places among published norms: a place in a population, no limit and no measure of effort", norms)
}

// percentileText says of the outermost printed percentile on which side of it the strength lies.
func percentileText(n record.NormStanding) string {
	if n.Bound != "" {
		return n.Bound + " " + n.Percentile
	}
	return n.Percentile
}

func writePositions(out io.Writer, list []record.PositionTolerance) {
	rows := [][]string{{"series", "position", "tolerated", "rated", "observed", "kept up", "longest"}}
	for _, p := range list {
		kept, longest := "-", "-"
		if p.AskedSeconds != 0 {
			kept = durationText(p.KeptSeconds) + " of " + durationText(p.AskedSeconds)
			longest = durationText(p.LongestSeconds)
		}
		rows = append(rows, []string{strconv.Itoa(p.SeriesNumber), words(p.Position), words(p.Tolerance), words(p.Rating), words(p.Observed), kept, longest})
	}
	section(out, "Tolerance of positions, as shares of a working day; a test of minutes does not show a day", rows)
}

// durationText is 90 as 1:30 min.
func durationText(seconds int) string { return fmt.Sprintf("%d:%02d min", seconds/60, seconds%60) }

// writeConsistency gives the numbers first, then what each kind is held against, once.
func writeConsistency(out io.Writer, c *record.Consistency) {
	if c == nil {
		return
	}
	heading(out, "Consistency of the measurements")
	paragraph(out, "  ", c.Summary)
	paragraph(out, "  ", c.Caution)
	rows := [][]string{{"indicator", "series", "state", "figure", "p", "pairs", "slope"}}
	left := [][]string{{"not assessed", "series", "why"}}
	for _, i := range c.Indicators {
		if i.State == record.IndicatorNotAssessed {
			left = append(left, []string{words(i.Kind), seriesText(i.Series), dash(i.Reason)})
			continue
		}
		rows = append(rows, indicatorRow(i))
	}
	for _, table := range [][][]string{rows, left} {
		if len(table) > 1 {
			fmt.Fprintln(out)
			writeTable(out, table)
		}
	}
	writeBearInMind(out, c.Indicators)
	writeIndicatorRules(out, c.Rules)
}

// indicatorRow is the figure, and of a correlation what it is made of.
func indicatorRow(i record.Indicator) []string {
	figure, p, pairs, slope := dash(i.Value), "-", "-", "-"
	if i.Value != "" && i.Unit != "" {
		figure += " " + i.Unit
	}
	if i.P != "" {
		p, pairs = i.P+" "+words(i.Method), strconv.Itoa(i.Pairs)
	}
	if i.Slope != "" {
		slope = i.Slope + " " + i.SlopeUnit
	}
	return []string{words(i.Kind), seriesText(i.Series), words(i.State), figure, p, pairs, slope}
}

// writeBearInMind lists what is said beside a figure.
func writeBearInMind(out io.Writer, indicators []record.Indicator) {
	first := true
	for _, i := range indicators {
		if i.State == record.IndicatorNotAssessed || i.Reason == "" {
			continue
		}
		if first {
			fmt.Fprintln(out, "\n  To bear in mind")
			first = false
		}
		if i.Series == 0 {
			point(out, "%s: %s", words(i.Kind), i.Reason)
			continue
		}
		point(out, "%s, series %d: %s", words(i.Kind), i.Series, i.Reason)
	}
}

func writeIndicatorRules(out io.Writer, rules []record.IndicatorRule) {
	if len(rules) == 0 {
		return
	}
	fmt.Fprintln(out, "\n  What the indicators are held against")
	for _, r := range rules {
		text := fmt.Sprintf("%s: expected: %s; threshold: %s; source: %s.", words(r.Kind), r.Expected, r.Threshold, r.Source)
		if r.Critique != "" {
			text += " Against it: " + r.Critique
		}
		point(out, "%s", text)
	}
}
