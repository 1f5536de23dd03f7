package deskwork

import (
	"slices"
	"strconv"
	"strings"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/grip"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// HandQuestion is a person's tests of grip and pinch. Stature is 0 where it is not known.
type HandQuestion struct {
	Person  record.Person
	Stature Length
	Series  []record.HandSeries
}

// GripCutoff is a published limit for the variation, and whether the variation is not above it.
type GripCutoff struct {
	grip.Cutoff
	Within bool
}

// GripVariation is the variation of three readings of one hand in one position.
type GripVariation struct {
	Series int
	Hand   record.Hand
	grip.Variation
	Cutoffs []GripCutoff
}

// GripCurve is one hand's five positions, narrowest first.
type GripCurve struct {
	Series   int
	Hand     record.Hand
	Readings []mass.Mass
	grip.Curve
}

// GripExchange is rapid exchange against the static test of one hand.
type GripExchange struct {
	Hand              record.Hand
	Static, Rapid     mass.Mass
	DifferencePercent float64
}

// HandsFound is the answer. The critiques are what the literature holds against each figure as a sign of effort.
type HandsFound struct {
	Strengths                       []record.HandStrength
	Variations                      []GripVariation
	Curves                          []GripCurve
	Exchanges                       []GripExchange
	VariationCritique               []string
	CurveCritique, ExchangeCritique string
	Cautions                        []record.Remark
}

// AnalyzeHands says what tests of grip and pinch come to.
func AnalyzeHands(q HandQuestion) (HandsFound, error) {
	if err := fault.InvalidFields(q.Check()); err != nil {
		return HandsFound{}, err
	}
	var measures *record.BodyMeasures
	if q.Stature != 0 {
		measures = &record.BodyMeasures{StatureMM: int((q.Stature + measure.PerMillimetre/2) / measure.PerMillimetre)}
	}
	out := HandsFound{
		Strengths: hands.Of(q.Series, q.Person, measures), VariationCritique: grip.Critique(), CurveCritique: grip.CurveCritique,
		ExchangeCritique: grip.ExchangeCritique, Cautions: q.cautions(),
	}
	for _, t := range hands.GripTests(q.Series) {
		hand := record.Hand(t.Hand)
		if len(t.Trials) > 0 {
			v, err := variationOf(t.Trials)
			if err != nil {
				return HandsFound{}, err
			}
			v.Series, v.Hand = t.Series, hand
			out.Variations = append(out.Variations, v)
		}
		if len(t.Positions) > 0 {
			c, err := grip.Positions(t.Positions, t.FlatPercent)
			if err != nil {
				return HandsFound{}, renamed(err, handPath)
			}
			out.Curves = append(out.Curves, GripCurve{Series: t.Series, Hand: hand, Readings: t.Positions, Curve: c})
		}
		if !t.Rapid.IsZero() {
			e, err := grip.RapidExchange(t.Static, t.Rapid)
			if err != nil {
				return HandsFound{}, renamed(err, handPath)
			}
			out.Exchanges = append(out.Exchanges, GripExchange{Hand: hand, Static: t.Static, Rapid: t.Rapid, DifferencePercent: e.DifferencePercent})
		}
	}
	return out, nil
}

func variationOf(readings []mass.Mass) (GripVariation, error) {
	var out GripVariation
	for _, c := range grip.Cutoffs() {
		v, err := grip.Trials(readings, c.Percent)
		if err != nil {
			return out, renamed(err, handPath)
		}
		out.Variation = v
		out.Cutoffs = append(out.Cutoffs, GripCutoff{Cutoff: c, Within: v.Within})
	}
	return out, nil
}

func handPath(string) string { return "hand_series" }

// Check names every rule that the question breaks, beyond those on single fields that the contract declares.
func (q HandQuestion) Check() []fault.Violation {
	found := checkHandSeries(q.Series)
	if q.Stature != 0 {
		_, err := body.StationsFor(q.Stature)
		found = append(found, violationsOf(err)...)
	}
	return found
}

// checkHandSeries checks hand series as those of a session.
func checkHandSeries(list []record.HandSeries) []fault.Violation {
	if len(list) == 0 {
		return []fault.Violation{{Field: "hand_series", Rule: "hand_series.something", Text: "there is a hand series"}}
	}
	return checkPart(record.Session{HandSeries: list})
}

// checkPart are the rules that series of a session break, by paths without the session. The session lasts as long as they do.
func checkPart(s record.Session) []fault.Violation {
	first := true
	stretch := func(at record.Time) {
		if first || at.Before(s.StartedAt) {
			s.StartedAt = at
		}
		if first || s.EndedAt.Before(at) {
			s.EndedAt = at
		}
		first = false
	}
	for i := range s.Series {
		for _, t := range s.Series[i].Trials {
			stretch(t.At)
		}
	}
	for i := range s.HandSeries {
		for _, t := range s.HandSeries[i].Trials {
			stretch(t.At)
		}
	}
	found := record.CheckSession(s, "session")
	for i := range found {
		found[i].Field = strings.TrimPrefix(found[i].Field, "session.")
	}
	return found
}

// cautions say what the figures are not, and which norms are missing for what.
func (q HandQuestion) cautions() []record.Remark {
	all := []record.Remark{judgement(),
		{Code: "norms_no_limits", Text: "A percentile is a place in a population: no limit, no measure of effort and no statement on fitness for a job."},
		{Code: "no_sign_of_effort", Text: "No variation, curve or difference tells whether a person gave full effort. Published cut-offs disagree, and pain, fear, injury, fatigue, " +
			"an unfamiliar task and the instrument move the same figures."}}
	var lacks []string
	if q.Person.AgeYears == 0 {
		lacks = append(lacks, "age")
	}
	if q.Person.Sex != record.Female && q.Person.Sex != record.Male {
		lacks = append(lacks, "sex")
	}
	if len(lacks) > 0 {
		all = append(all, record.Remark{Code: "no_norms", Text: "Without " + strings.Join(lacks, " and ") + " no norm is looked up."})
	}
	if slices.ContainsFunc(q.Series, func(s record.HandSeries) bool { return s.Measure != record.Grip }) {
		all = append(all, record.Remark{Code: "no_pinch_norms", Text: "Norms of pinch strength are left out: they were not read."})
	}
	if number, ok := hands.Symptom(q.Series); ok {
		all = append(all, record.Remark{Code: "symptom", Text: "In hand series " + strconv.Itoa(number) + " a symptom was reported or seen."})
	}
	return all
}
