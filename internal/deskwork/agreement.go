package deskwork

import (
	"strconv"
	"strings"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// usualConfidence is that of the intervals where nothing is asked for.
const usualConfidence = 95

// fewTargets is the number of targets below which a caution stands; common practice, no source.
const fewTargets = 30

// Ratings are measured values: a row for each target, a value for each rater. Confidence is in percent, 0 for 95. Names are those of the
// raters, none where they have none; Groups is what each row belongs to, empty throughout where the rows have no groups.
type Ratings struct {
	Rows       [][]float64
	Confidence float64
	Names      []string
	Groups     []string
}

// MeasurementError is an error of measurement, in the unit of the values.
type MeasurementError struct{ SEM, MDC95 float64 }

// Agreed is the answer. Limits is nil unless two raters rated at least three targets.
type Agreed struct {
	stats.Reliability
	ConfidencePercent        float64
	Consistency, AbsoluteSEM MeasurementError
	Limits                   *stats.Agreement
	EachRater                []RaterAgreement
	Pairs                    []PairAgreement
	Groups                   []GroupAgreement
	Cautions                 []record.Remark
}

// AnalyzeAgreement says how far raters or repeated measurements agree.
func AnalyzeAgreement(in Ratings) (Agreed, error) {
	if in.Confidence == 0 {
		in.Confidence = usualConfidence
	}
	if err := fault.InvalidFields(in.checkLabels()); err != nil {
		return Agreed{}, err
	}
	r, err := stats.IntraclassCorrelation(in.Rows, in.Confidence/100)
	if err != nil {
		return Agreed{}, renamed(err, agreementPath)
	}
	out := Agreed{Reliability: r, ConfidencePercent: in.Confidence, Cautions: agreementCautions(r.Targets)}
	if out.Consistency, err = errorOf(r.SEMConsistency); err != nil {
		return Agreed{}, err
	}
	if out.AbsoluteSEM, err = errorOf(r.SEMAgreement); err != nil {
		return Agreed{}, err
	}
	names := in.raterNames(r.Raters)
	out.EachRater = in.eachRater(names)
	if out.Pairs, err = in.pairs(names); err != nil {
		return Agreed{}, err
	}
	if len(out.Pairs) == 1 {
		out.Limits = &out.Pairs[0].Limits
	}
	if out.Groups, err = in.groups(); err != nil {
		return Agreed{}, err
	}
	return out, nil
}

// errorOf gives the minimal detectable change. One that is beyond what can be computed is refused: the values are too large.
func errorOf(sem float64) (MeasurementError, error) {
	mdc, err := stats.MDC95(sem)
	if err != nil {
		return MeasurementError{}, fault.InvalidFields([]fault.Violation{{Field: "rows", Rule: stats.RuleRange, Text: "the values are too far apart"}})
	}
	return MeasurementError{SEM: sem, MDC95: mdc}, nil
}

// agreementPath is the contract's path of a field of the engine's table: ratings[3][1] is rows[3].values[1].
func agreementPath(field string) string {
	if field == "confidence" {
		return "confidence_percent"
	}
	rest, ok := strings.CutPrefix(field, "ratings")
	if !ok || rest == "" {
		return "rows"
	}
	row, value, _ := strings.Cut(rest, "]")
	return "rows" + row + "].values" + value
}

func agreementCautions(targets int) []record.Remark {
	all := []record.Remark{judgement(), {Code: "depends_on_sample",
		Text: "A correlation depends on how different the targets are: it holds for people like those measured. Name the form and the interval with it."}}
	if targets < fewTargets {
		all = append(all, record.Remark{Code: "few_targets",
			Text: "There are only " + strconv.Itoa(targets) + " targets; look at the intervals, not at the estimates alone."})
	}
	return all
}
