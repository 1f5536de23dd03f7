package deskwork

import (
	"errors"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/stats"
	"ponderal.example/internal/fault"
)

// mostPaired is the number of raters up to which each two are compared: 45 pairs.
const mostPaired = 10

// fewestLimited is the number of targets from which limits of agreement are formed.
const fewestLimited = 3

// RaterAgreement is how one rater's values lie: their mean, and how far it is above the mean of the others' values.
type RaterAgreement struct {
	Name       string
	Mean, Bias float64
}

// PairAgreement is two raters' limits of agreement, first less second.
type PairAgreement struct {
	First, Second string
	Limits        stats.Agreement
}

// GroupAgreement is the agreement within one group of targets. NotComputed says why there is no figure; empty where there is one.
type GroupAgreement struct {
	Name        string
	Targets     int
	Correlation stats.ICC
	Error       MeasurementError
	NotComputed string
}

// checkLabels holds names and groups against the rows.
func (in Ratings) checkLabels() []fault.Violation {
	var found []fault.Violation
	add := func(field, rule, text string) {
		found = append(found, fault.Violation{Field: field, Rule: rule, Text: text})
	}
	if len(in.Rows) == 0 {
		return nil
	}
	if !(in.Confidence >= 50 && in.Confidence <= 99) {
		add("confidence_percent", stats.RuleRange, "the confidence is 50 to 99 percent")
	}
	if n := len(in.Names); n != 0 && n != len(in.Rows[0]) {
		add("rater_names", "agreement.names", "there is a name for each value of a row, or none")
	}
	seen := map[string]bool{}
	for i, name := range in.Names {
		if seen[name] {
			add("rater_names["+strconv.Itoa(i)+"]", "agreement.name_once", "each rater has a name of its own")
		}
		seen[name] = true
	}
	if !in.grouped() {
		return found
	}
	for i, g := range in.Groups {
		if g == "" {
			add("rows["+strconv.Itoa(i)+"].group", "agreement.group", "every row has a group, or none has")
		}
	}
	return found
}

func (in Ratings) grouped() bool {
	return slices.ContainsFunc(in.Groups, func(g string) bool { return g != "" })
}

// raterNames are the names given, or the raters' places from 1.
func (in Ratings) raterNames(raters int) []string {
	if len(in.Names) > 0 {
		return in.Names
	}
	names := make([]string, raters)
	for i := range names {
		names[i] = strconv.Itoa(i + 1)
	}
	return names
}

// column is one rater's values.
func (in Ratings) column(rater int) []float64 {
	all := make([]float64, len(in.Rows))
	for i, row := range in.Rows {
		all[i] = row[rater]
	}
	return all
}

func (in Ratings) eachRater(names []string) []RaterAgreement {
	means, sum := make([]float64, len(names)), 0.0
	for i := range names {
		for _, v := range in.column(i) {
			means[i] += v
		}
		means[i] /= float64(len(in.Rows))
		sum += means[i]
	}
	all := make([]RaterAgreement, len(names))
	for i, name := range names {
		others := (sum - means[i]) / float64(len(names)-1)
		all[i] = RaterAgreement{Name: name, Mean: means[i], Bias: means[i] - others}
	}
	return all
}

func (in Ratings) pairs(names []string) ([]PairAgreement, error) {
	if len(names) > mostPaired || len(in.Rows) < fewestLimited {
		return nil, nil
	}
	var all []PairAgreement
	for i := range names {
		for j := i + 1; j < len(names); j++ {
			limits, err := stats.BlandAltman(in.column(i), in.column(j))
			if err != nil {
				return nil, renamed(err, func(string) string { return "rows" })
			}
			all = append(all, PairAgreement{First: names[i], Second: names[j], Limits: limits})
		}
	}
	return all, nil
}

// groups analyses each group alone, in the order of their names. A group that does not allow it says so and spoils no other.
func (in Ratings) groups() ([]GroupAgreement, error) {
	if !in.grouped() {
		return nil, nil
	}
	rows := map[string][][]float64{}
	var names []string
	for i, g := range in.Groups {
		if rows[g] == nil {
			names = append(names, g)
		}
		rows[g] = append(rows[g], in.Rows[i])
	}
	slices.Sort(names)
	var all []GroupAgreement
	for _, name := range names {
		g := GroupAgreement{Name: name, Targets: len(rows[name])}
		r, err := stats.IntraclassCorrelation(rows[name], in.Confidence/100)
		var broken *fault.Error
		switch {
		case errors.As(err, &broken) && len(broken.Violations) > 0:
			g.NotComputed = broken.Violations[0].Text
		case err != nil:
			return nil, err
		default:
			g.Correlation = twoWaySingle(r)
			if g.Error, err = errorOf(r.SEMAgreement); err != nil {
				return nil, err
			}
		}
		all = append(all, g)
	}
	return all, nil
}

func twoWaySingle(r stats.Reliability) stats.ICC {
	for _, f := range r.Forms {
		if f.Form == stats.TwoWaySingle {
			return f
		}
	}
	return stats.ICC{}
}
