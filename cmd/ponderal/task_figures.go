package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"ponderal.example/internal/deskwork"
)

func writeAgreement(out io.Writer, a deskwork.Agreed) {
	title(out, fmt.Sprintf("Agreement of %d raters on %d targets, intervals of %s %%", a.Raters, a.Targets, strconv.FormatFloat(a.ConfidencePercent, 'f', -1, 64)))
	rows := [][]string{{"form", "estimate", "from", "to", "F", "p"}}
	for _, f := range a.Forms {
		rows = append(rows, correlationRow(f))
	}
	section(out, "Intraclass correlations (Shrout and Fleiss 1979)", rows)
	section(out, "Error of measurement, in the unit of the values", [][]string{
		{"of", "standard error", "minimal detectable change, 95 %"},
		{"consistency (without differences between raters)", number(a.Consistency.SEM), number(a.Consistency.MDC95)},
		{"absolute agreement (with them)", number(a.AbsoluteSEM.SEM), number(a.AbsoluteSEM.MDC95)},
	})
	raters := [][]string{{"rater", "mean", "above the others' mean"}}
	for _, r := range a.EachRater {
		raters = append(raters, []string{r.Name, number(r.Mean), signed(r.Bias)})
	}
	section(out, "Each rater", raters)
	section(out, "Limits of agreement (Bland and Altman 1986): bias with its interval of 95 %, and 1.96 deviations", pairRows(a.Pairs))
	groups := [][]string{{"group", "targets", "ICC(2,1)", "from", "to", "standard error", "MDC, 95 %"}}
	for _, g := range a.Groups {
		row := []string{g.Name, strconv.Itoa(g.Targets), "not computed: " + g.NotComputed, "-", "-", "-", "-"}
		if g.NotComputed == "" {
			row = append([]string{g.Name, strconv.Itoa(g.Targets)}, correlationRow(g.Correlation)[1:4]...)
			row = append(row, number(g.Error.SEM), number(g.Error.MDC95))
		}
		groups = append(groups, row)
	}
	section(out, "Each group of targets, with differences between raters", groups)
	writeNotes(out, "Cautions", a.Cautions)
}

func pairRows(pairs []deskwork.PairAgreement) [][]string {
	rows := [][]string{{"first less second", "bias", "from", "to", "deviation", "lower limit", "upper limit"}}
	for _, p := range pairs {
		l := p.Limits
		rows = append(rows, []string{
			p.First + " - " + p.Second, signed(l.Bias), signed(l.BiasCI[0]), signed(l.BiasCI[1]), number(l.SD), signed(l.Limits.Lower), signed(l.Limits.Upper),
		})
	}
	return rows
}

func correlationRow(f deskwork.ICC) []string {
	estimate, from, to, ratio, p := "-", "-", "-", "-", "-"
	if f.Defined {
		estimate = number(f.Estimate)
	}
	if f.IntervalDefined {
		from, to = number(f.Lower), number(f.Upper)
	}
	if !f.FUnlimited {
		ratio, p = number(f.F), strconv.FormatFloat(f.P, 'g', 3, 64)
	}
	return []string{formText(string(f.Form)), estimate, from, to, ratio, p}
}

// formText is icc_2_1 as ICC(2,1).
func formText(form string) string {
	rest, ok := strings.CutPrefix(form, "icc_")
	if !ok {
		return form
	}
	return "ICC(" + strings.ReplaceAll(rest, "_", ",") + ")"
}

func signed(v float64) string { return fmt.Sprintf("%+.3f", v) }

func writeHands(out io.Writer, h deskwork.HandsFound) {
	title(out, "Tests of grip and pinch strength")
	writeHandStrengths(out, h.Strengths)
	rows := [][]string{{"hand series", "hand", "variation", "cut-off", "for", "within", "source"}}
	for _, v := range h.Variations {
		for i, c := range v.Cutoffs {
			within := "no"
			if c.Within {
				within = "yes"
			}
			row := []string{"", "", "", decimals(c.Percent, 1) + " %", dash(c.For), within, c.Source}
			if i == 0 {
				row[0], row[1], row[2] = strconv.Itoa(v.Series), words(v.Hand), decimals(v.CVPercent, 1)+" %"
			}
			rows = append(rows, row)
		}
	}
	section(out, "Variation of three readings beside each published cut-off; the cut-offs disagree", rows)
	critique(out, len(h.Variations) > 0, h.VariationCritique...)
	curves := [][]string{{"hand series", "hand", "positions, narrowest first", "shape", "strongest", "spread"}}
	for _, c := range h.Curves {
		var readings []string
		for _, r := range c.Readings {
			readings = append(readings, r.String())
		}
		curves = append(curves, []string{strconv.Itoa(c.Series), words(c.Hand), strings.Join(readings, ", "), words(c.Shape), strconv.Itoa(c.Peak), decimals(c.SpreadPercent, 1) + " %"})
	}
	section(out, "Five handle positions", curves)
	critique(out, len(h.Curves) > 0, h.CurveCritique)
	exchanges := [][]string{{"hand", "static", "rapid exchange", "difference"}}
	for _, e := range h.Exchanges {
		exchanges = append(exchanges, []string{words(e.Hand), massText(&e.Static), massText(&e.Rapid), fmt.Sprintf("%+.1f %%", e.DifferencePercent)})
	}
	section(out, "Rapid exchange", exchanges)
	critique(out, len(h.Exchanges) > 0, h.ExchangeCritique)
	writeNotes(out, "Cautions", h.Cautions)
}

// critique stands below the figures that it is about.
func critique(out io.Writer, there bool, texts ...string) {
	if !there {
		return
	}
	fmt.Fprintln(out)
	for _, text := range texts {
		paragraph(out, "  Against it: ", text)
	}
}

func writeHeartRates(out io.Writer, h deskwork.HeartRates) {
	title(out, "Heart rates predicted from age")
	if h.Limit != nil {
		fmt.Fprintf(out, "\nThe limit is %s: the highest whole heart rate within it is %d bpm\n", h.Limit, h.Limit.Whole())
	}
	rows := [][]string{{"formula", "predicted maximum", "not for this person because"}}
	for _, m := range h.Maxima {
		rate := m.Rate.String()
		if m.NotApplicable != "" {
			rate = "-"
		}
		rows = append(rows, []string{words(m.Formula), rate, dash(m.NotApplicable)})
	}
	section(out, "Predicted maxima", rows)
	writeNotes(out, "Cautions", h.Cautions)
}

func writeAerobicDemand(out io.Writer, a deskwork.AerobicEstimate) {
	title(out, "Aerobic demand, estimated from the heart rate")
	section(out, fmt.Sprintf("%s %% of the heart-rate reserve, within the criterion for %s", a.Demand.PercentOfReserve, a.Demand.SustainableFor), [][]string{
		{"steady heart rate", "predicted maximum"}, {strconv.Itoa(a.Demand.SteadyHeartRate) + " bpm", a.Maximum.String()},
	})
	writeSources(out, []string{a.Demand.Source})
	writeNotes(out, "Cautions", a.Cautions)
}

func writeConsistent(out io.Writer, c deskwork.Consistent) {
	title(out, "How the measurements hang together")
	writeConsistency(out, &c.Consistency)
	writeNotes(out, "Cautions", c.Cautions)
}

func writeRecipes(out io.Writer, r deskwork.Recipes) {
	title(out, "Recipes of the kit")
	rows := [][]string{{"inserts", "load", "off", "codes shared"}}
	for _, f := range r.Found {
		codes := strings.Join(f.Codes, " ")
		if codes == "" {
			codes = "the tote alone"
		}
		rows = append(rows, []string{codes, massText(&f.Load), f.Off.String(), strconv.Itoa(f.Shared)})
	}
	section(out, "Recipes, closest first", rows)
	if len(r.Found) == 0 {
		fmt.Fprintf(out, "\nThe kit makes nothing within the tolerance. Nearest below: %s; nearest above: %s\n", massText(r.Below), massText(r.Above))
	}
	lapses := [][]string{{"piece", "weighed on", "days ago"}}
	for _, l := range r.Lapses {
		lapses = append(lapses, []string{l.Code, dash(l.VerifiedOn), strconv.Itoa(l.AgeDays)})
	}
	section(out, "Pieces whose weighing does not fit the policy", lapses)
	writeNotes(out, "Cautions", r.Cautions)
}
