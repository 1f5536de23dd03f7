package deskwork

import (
	"strconv"
	"strings"

	"ponderal.example/internal/engine/consistency"
	"ponderal.example/internal/engine/hands"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// SeriesCapacity is the highest accepted load of a series.
type SeriesCapacity struct {
	Series int
	Load   mass.Mass
}

// ConsistencyQuestion is the measurements of a session. Error is nil where the error of the capacity is not known; a retest is assessed where
// it is, and both of its series have their capacity.
type ConsistencyQuestion struct {
	Series           []record.Series
	Hands            []record.HandSeries
	RateLimitingDrug bool
	Error            *record.CapacityError
	Capacities       []SeriesCapacity
}

// Consistent is the answer.
type Consistent struct {
	Consistency record.Consistency
	Cautions    []record.Remark
}

// AssessConsistency says how the measurements hang together. It judges no person.
func AssessConsistency(q ConsistencyQuestion) (Consistent, error) {
	if err := fault.InvalidFields(q.Check()); err != nil {
		return Consistent{}, err
	}
	loads := map[int]*mass.Mass{}
	for i := range q.Capacities {
		loads[q.Capacities[i].Series] = &q.Capacities[i].Load
	}
	in := consistency.Input{
		Series: q.Series, RateLimitingDrug: q.RateLimitingDrug, Grip: hands.GripTests(q.Hands), Settings: consistency.DefaultSettings(),
		Retests: consistency.FindRetests(q.Series, func(series int) *mass.Mass { return loads[series] }),
	}
	if q.Error != nil {
		in.SEM, in.SEMSource = &q.Error.StandardError, q.Error.Source
	}
	r, err := consistency.Assess(in)
	if err != nil {
		return Consistent{}, renamed(err, consistencyPath)
	}
	return Consistent{Consistency: *consistency.ToRecord(r), Cautions: []record.Remark{judgement()}}, nil
}

// Check names every rule that the question breaks, beyond those on single fields that the contract declares.
func (q ConsistencyQuestion) Check() []fault.Violation {
	found := checkPart(record.Session{Series: q.Series, HandSeries: q.Hands})
	add := func(field, rule, text string) {
		found = append(found, fault.Violation{Field: field, Rule: rule, Text: text})
	}
	if q.Error != nil && q.Error.StandardError.IsZero() {
		add("capacity_error.standard_error", "consistency.error_positive", "a standard error is more than nothing; leave it out where it is not known")
	}
	seen := map[int]bool{}
	for i, c := range q.Capacities {
		at := "capacities[" + strconv.Itoa(i) + "]"
		if c.Series < 1 || c.Series > len(q.Series) {
			add(at+".series_number", "consistency.series", "a capacity is of one of the series")
		}
		if seen[c.Series] {
			add(at+".series_number", "consistency.capacity_once", "each series has at most one capacity")
		}
		seen[c.Series] = true
		if c.Load.IsZero() {
			add(at+".load", "consistency.load_positive", "a capacity is more than nothing; leave it out where no load was accepted")
		}
	}
	return found
}

// consistencyPath is the contract's path of a field of the engine's.
func consistencyPath(field string) string {
	if strings.HasPrefix(field, "measurement_error") {
		return "capacity_error.standard_error"
	}
	return field
}
