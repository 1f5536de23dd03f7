package consistency

import (
	"errors"
	"strconv"
	"strings"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// GripTest is what was done with one hand; what was not done is left empty.
type GripTest struct {
	Hand grip.Hand
	// Trials are three in one position, against CutoffPercent (see grip.Cutoffs).
	Trials        []mass.Mass
	CutoffPercent float64
	// Positions are five, narrowest first; a spread of at most FlatPercent is flat.
	Positions   []mass.Mass
	FlatPercent float64
	// Static and Rapid are the strongest of each; above MixedPercent the difference disagrees.
	Static, Rapid mass.Mass
	MixedPercent  float64
}

// assessGrip turns grip tests into indicators. The published critique stands as the reason of the first two, and because of it they
// never disagree: beyond the cut-off, or another curve than expected, is mixed.
func assessGrip(tests []GripTest) ([]Indicator, violations) {
	var out []Indicator
	var v violations
	if len(tests) > maxSeries {
		return nil, nil
	}
	for k, t := range tests {
		path := item("grip", k)
		v.demand(t.Hand == grip.Right || t.Hand == grip.Left, path+".hand", grip.RuleHand, "the hand is right or left")
		add := func(part string, i Indicator, err error) {
			i.Part = string(t.Hand)
			out = append(out, i)
			v.below(path+"."+part, err)
		}
		if len(t.Trials) > 0 {
			i, err := variation(t)
			add("trials", i, err)
		}
		if len(t.Positions) > 0 {
			i, err := positions(t)
			add("positions", i, err)
		}
		if !t.Static.IsZero() || !t.Rapid.IsZero() {
			v.demand(t.MixedPercent >= 0 && t.MixedPercent <= 100, path+".mixed_percent", grip.RuleRange, "a percentage is 0 to 100")
			i, err := exchange(t)
			add("exchange", i, err)
		}
	}
	return out, v
}

// below adds the violations of err under a path.
func (v *violations) below(path string, err error) {
	var e *fault.Error
	if errors.As(err, &e) {
		for _, x := range e.Violations {
			x.Field = path + "." + x.Field
			*v = append(*v, x)
		}
	}
}

func percent(p float64) string { return strconv.FormatFloat(p, 'g', -1, 64) + " %" }

func variation(t GripTest) (Indicator, error) {
	i := Indicator{Kind: GripVariation, Unit: "% coefficient of variation", Expected: "three trials are alike", HasNumber: true,
		Threshold: "agrees: at most " + percent(t.CutoffPercent) + "; mixed: more", Source: sourceOfCutoff(t.CutoffPercent), Reason: strings.Join(grip.Critique(), " ")}
	g, err := grip.Trials(t.Trials, t.CutoffPercent)
	i.Number, i.State = g.CVPercent, Mixed
	if g.Within {
		i.State = Agrees
	}
	return i, err
}

func sourceOfCutoff(p float64) string {
	var sources []string
	for _, c := range grip.Cutoffs() {
		if c.Percent == p {
			text := c.Source
			if c.For != "" {
				text = c.For + ": " + text
			}
			sources = append(sources, text)
		}
	}
	if len(sources) == 0 {
		return "set by the clinic, no source"
	}
	return strings.Join(sources, "; ")
}

func positions(t GripTest) (Indicator, error) {
	i := Indicator{Kind: GripPositions, Unit: "% spread over five positions", Expected: "strength rises to a middle position and falls after it", HasNumber: true,
		Threshold: "agrees: one peak between the ends and a spread above " + percent(t.FlatPercent) + "; mixed: another curve",
		Source:    "Stokes, J Occup Med 1983;25:683-684, for the curve; " + noSource + " for the spread", Reason: grip.CurveCritique}
	g, err := grip.Positions(t.Positions, t.FlatPercent)
	i.Number, i.State = g.SpreadPercent, Mixed
	if g.Shape == grip.Peaked {
		i.State = Agrees
	}
	return i, err
}

func exchange(t GripTest) (Indicator, error) {
	i := Indicator{Kind: GripRapidExchange, Unit: "% above the static test", Expected: "rapid exchange gives no more than the static test", HasNumber: true,
		Threshold: "agrees: at most 0 %; mixed: at most " + percent(t.MixedPercent) + "; disagrees: more", Source: noSource, Reason: grip.ExchangeCritique}
	g, err := grip.RapidExchange(t.Static, t.Rapid)
	i.Number = g.DifferencePercent
	switch {
	case i.Number <= 0:
		i.State = Agrees
	case i.Number <= t.MixedPercent:
		i.State = Mixed
	default:
		i.State = Disagrees
	}
	return i, err
}
