package consistency

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// GripTest is what was done with one hand; what was not done is left empty.
type GripTest struct {
	Hand grip.Hand
	// Series is the number of the hand series, 0 if there is none. Tests of several series are several of these.
	Series int
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

// gripKind is one of the three comparisons of a grip test: whether it was done, what it comes to, and what it is held against.
type gripKind struct {
	kind    Kind
	part    string // of a path in an error
	unit    string
	done    func(t *GripTest) bool
	compare func(t *GripTest) (number float64, state State, err error)
	rule    func(t *GripTest) Rule
}

// gripKinds in the order of a report. The published critique stands beside the first two, and because of it they never disagree: beyond
// the cut-off, or another curve than expected, is mixed.
func gripKinds() [3]gripKind {
	return [...]gripKind{
		{GripVariation, "trials", unitCV, func(t *GripTest) bool { return len(t.Trials) > 0 }, variation, variationRule},
		{GripPositions, "positions", unitSpread, func(t *GripTest) bool { return len(t.Positions) > 0 }, positions, positionsRule},
		{GripRapidExchange, "exchange", unitExchange, (*GripTest).exchanged, exchange, exchangeRule},
	}
}

// grips are the indicators of grip tests.
func grips(all []Indicator, tests []GripTest) []Indicator {
	if len(tests) == 0 {
		return all
	}
	for _, g := range gripKinds() {
		from := len(all)
		for k := range tests {
			t := &tests[k]
			if !g.done(t) {
				continue
			}
			i := Indicator{Kind: g.kind, Series: t.Series, Part: string(t.Hand), Unit: g.unit, HasNumber: true}
			var err error
			if i.Number, i.State, err = g.compare(t); err != nil || !handSound(t.Hand) || !t.mixedSound() {
				i.Number, i.HasNumber, i.State, i.Reason = 0, false, NotAssessed, gripReason
			}
			all = append(all, i)
		}
		slices.SortStableFunc(all[from:], within)
	}
	return all
}

// gripRules has one rule for each kind that was done. Where tests have other limits, it names each once.
func gripRules(tests []GripTest) []Rule {
	if len(tests) == 0 {
		return nil
	}
	var out []Rule
	for _, g := range gripKinds() {
		var all []Rule
		for k := range tests {
			if g.done(&tests[k]) {
				all = append(all, g.rule(&tests[k]))
			}
		}
		if len(all) == 0 {
			continue
		}
		slices.SortFunc(all, func(a, b Rule) int {
			return cmp.Or(cmp.Compare(a.Threshold, b.Threshold), cmp.Compare(a.Source, b.Source))
		})
		all = slices.Compact(all)
		for _, r := range all[1:] {
			all[0].Threshold = joined(all[0].Threshold, r.Threshold)
			all[0].Source = joined(all[0].Source, r.Source)
		}
		out = append(out, all[0])
	}
	return out
}

func joined(list, text string) string {
	if strings.Contains(list, text) {
		return list
	}
	return list + "; or " + text
}

func (t *GripTest) exchanged() bool { return !t.Static.IsZero() || !t.Rapid.IsZero() }

// mixedSound reports whether the limit is within its range, if it counts.
func (t *GripTest) mixedSound() bool {
	return !t.exchanged() || t.MixedPercent >= 0 && t.MixedPercent <= 100
}

func handSound(h grip.Hand) bool { return h == grip.Right || h == grip.Left }

func (v *violations) grip(tests []GripTest) {
	for k := range tests {
		t, path := &tests[k], item("grip", k)
		v.demand(handSound(t.Hand), path+".hand", grip.RuleHand, "the hand is right or left")
		for _, g := range gripKinds() {
			if g.kind == GripRapidExchange {
				v.demand(t.mixedSound(), path+".mixed_percent", grip.RuleRange, "a percentage is 0 to 100")
			}
			if g.done(t) {
				_, _, err := g.compare(t)
				v.below(path+"."+g.part, err)
			}
		}
	}
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

func stateOf(agrees bool) State {
	if agrees {
		return Agrees
	}
	return Mixed
}

func variation(t *GripTest) (float64, State, error) {
	g, err := grip.Trials(t.Trials, t.CutoffPercent)
	return g.CVPercent, stateOf(g.Within), err
}

func variationRule(t *GripTest) Rule {
	return Rule{Kind: GripVariation, Expected: "three trials are alike", Threshold: "agrees: at most " + percent(t.CutoffPercent) + "; mixed: more",
		Source: sourceOfCutoff(t.CutoffPercent), Critique: strings.Join(grip.Critique(), " ")}
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

func positions(t *GripTest) (float64, State, error) {
	g, err := grip.Positions(t.Positions, t.FlatPercent)
	return g.SpreadPercent, stateOf(g.Shape == grip.Peaked), err
}

func positionsRule(t *GripTest) Rule {
	return Rule{Kind: GripPositions, Expected: "strength rises to a middle position and falls after it",
		Threshold: "agrees: one peak between the ends and a spread above " + percent(t.FlatPercent) + "; mixed: another curve",
		Source:    "Stokes, J Occup Med 1983;25:683-684, for the curve; " + noSource + " for the spread", Critique: grip.CurveCritique}
}

func exchange(t *GripTest) (float64, State, error) {
	g, err := grip.RapidExchange(t.Static, t.Rapid)
	switch n := g.DifferencePercent; {
	case n <= 0:
		return n, Agrees, err
	case n <= t.MixedPercent:
		return n, Mixed, err
	default:
		return n, Disagrees, err
	}
}

func exchangeRule(t *GripTest) Rule {
	return Rule{Kind: GripRapidExchange, Expected: "rapid exchange gives no more than the static test",
		Threshold: "agrees: at most 0 %; mixed: at most " + percent(t.MixedPercent) + "; disagrees: more", Source: noSource, Critique: grip.ExchangeCritique}
}
