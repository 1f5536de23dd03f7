package record

import (
	"ponderal.example/internal/canon"
	"ponderal.example/internal/mass"
)

// The functions named Canonical write a record's canonical form (RFC 8785) directly: the same bytes as canon.Marshal, many times faster,
// for the records that every push writes. Members stand in the order of their names, which the writer checks. They fail where
// canon.Marshal fails: text that is not UTF-8, a negative mass, an integer that a double does not hold.

// encoder writes one document; err is the first refusal that the writer does not know of.
type encoder struct {
	*canon.Writer
	err error
}

func newEncoder(size int) *encoder {
	return &encoder{Writer: canon.NewWriter(make([]byte, 0, size))}
}

func (e *encoder) finish() ([]byte, error) {
	if e.err != nil {
		return nil, e.err
	}
	return e.Bytes()
}

// The sizes of usual documents, so that their buffers are made once.
const (
	trialSize    = 512
	trialPart    = 400
	sessionSize  = 1024
	seriesPart   = 256
	readingPart  = 200
	findingSize  = 2048
	capacityPart = 1024
	furtherPart  = 320
)

// CanonicalTrial is the canonical form of a trial.
func CanonicalTrial(t Trial) ([]byte, error) {
	e := newEncoder(trialSize)
	e.trial(&t)
	return e.finish()
}

// CanonicalSession is the canonical form of a session with whatever series and trials it holds.
func CanonicalSession(s Session) ([]byte, error) {
	size := sessionSize
	for i := range s.Series {
		size += seriesPart + trialPart*len(s.Series[i].Trials)
	}
	for i := range s.HandSeries {
		size += seriesPart + readingPart*len(s.HandSeries[i].Trials)
	}
	for i := range s.PositionSeries {
		size += seriesPart + readingPart*len(s.PositionSeries[i].Bouts)
	}
	e := newEncoder(size)
	e.session(&s)
	return e.finish()
}

// CanonicalFinding is the canonical form of a finding.
func CanonicalFinding(f Finding) ([]byte, error) {
	size := findingSize + capacityPart*len(f.Capacities) + furtherPart*(len(f.Projected)+len(f.Hands)+len(f.Positions)+len(f.Limits))
	if c := f.Consistency; c != nil {
		size += furtherPart*len(c.Indicators) + capacityPart*len(c.Rules)
	}
	e := newEncoder(size)
	e.finding(&f)
	return e.finish()
}

// text writes a member that is left out when empty.
func (e *encoder) text(name, value string) {
	if value != "" {
		e.StringField(name, value)
	}
}

// flag writes a member that is left out when false.
func (e *encoder) flag(name string, value bool) {
	if value {
		e.BoolField(name, true)
	}
}

// number writes a member that is left out when not recorded.
func (e *encoder) number(name string, value *int) {
	if value != nil {
		e.IntField(name, int64(*value))
	}
}

// unlessZero writes a member that is left out when 0.
func (e *encoder) unlessZero(name string, value int) {
	if value != 0 {
		e.IntField(name, int64(value))
	}
}

// rating writes a rating of effort that is left out when not recorded.
func (e *encoder) rating(v *Effort) {
	if v != nil {
		e.effort("effort_rating", *v)
	}
}

// answer writes a member that is left out when not given.
func (e *encoder) answer(name string, value *bool) {
	if value != nil {
		e.BoolField(name, *value)
	}
}

func (e *encoder) mass(name string, m mass.Mass) {
	if m.Units() < 0 && e.err == nil {
		e.err = &mass.RuleError{Rule: mass.RuleNegative}
		return
	}
	value, unit := m.Canonical()
	e.Key(name)
	e.BeginObject()
	e.StringField("unit", string(unit))
	e.StringField("value", value)
	e.EndObject()
}

// massOr writes a mass that is left out when absent.
func (e *encoder) massOr(name string, m *mass.Mass) {
	if m != nil {
		e.mass(name, *m)
	}
}

// words writes a list of texts that is left out when empty.
func words[S ~string](e *encoder, name string, values []S) {
	if len(values) > 0 {
		wordsAlways(e, name, values)
	}
}

// wordsAlways writes a list of texts that is never left out: null when nil, as encoding/json has it.
func wordsAlways[S ~string](e *encoder, name string, values []S) {
	e.Key(name)
	if values == nil {
		e.Null()
		return
	}
	e.BeginArray()
	for _, v := range values {
		e.String(string(v))
	}
	e.EndArray()
}

// object writes an object that is left out when absent.
func object[T any](e *encoder, name string, value *T, one func(*T)) {
	if value != nil {
		e.Key(name)
		one(value)
	}
}

// list writes a list of objects that is left out when empty.
func list[T any](e *encoder, name string, values []T, one func(*T)) {
	if len(values) > 0 {
		always(e, name, values, one)
	}
}

// always writes a list of objects that is never left out: null when nil, as encoding/json has it.
func always[T any](e *encoder, name string, values []T, one func(*T)) {
	e.Key(name)
	if values == nil {
		e.Null()
		return
	}
	e.BeginArray()
	for i := range values {
		one(&values[i])
	}
	e.EndArray()
}
