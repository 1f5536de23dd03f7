package rpc

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// reader turns messages into records. It is total: what cannot be read becomes a violation that names the field and the record's
// zero value. Paths are those of the request, with the names of the proto.
type reader struct{ violations []fault.Violation }

func (r *reader) bad(field, rule, text string) {
	r.violations = append(r.violations, fault.Violation{Field: field, Rule: rule, Text: text})
}

// refused is nil when all of the request could be read; else it names what could not and what else is wrong with the request.
func (r *reader) refused(ctx context.Context, req proto.Message) error {
	if len(r.violations) == 0 {
		return nil
	}
	more := []fault.Violation(nil)
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		more = meaningOf(req, record.TimeOf(c.now()))
	}
	return fault.InvalidFields(merge(r.violations, more))
}

// nilID is the id of nothing (RFC 9562, section 5.9); the network's own records stand under it.
const nilID = "00000000-0000-0000-0000-000000000000"

// id reads a UUID that may be absent where the contract says so.
func (r *reader) id(s, at string) string {
	if s == nilID {
		r.bad(at, "id.nil", "the nil UUID is the id of nothing")
	}
	return lower(s)
}

// line reads a text that is shown within a line: a name, a label, a number. It may be absent where the contract says so.
func (r *reader) line(s, at string) string {
	if strings.ContainsFunc(s, moves) {
		r.bad(at, "text.line", "the text is one line without control characters")
	}
	return r.notBlank(s, at)
}

// text reads a text of people's own words, of one line or more.
func (r *reader) text(s, at string) string {
	if strings.ContainsFunc(s, func(c rune) bool { return moves(c) && c != '\n' && c != '\r' && c != '\t' }) {
		r.bad(at, "text.plain", "the text has no control characters beside line ends and tabs")
	}
	return r.notBlank(s, at)
}

func (r *reader) notBlank(s, at string) string {
	if s != "" && strings.TrimSpace(s) == "" {
		r.bad(at, "text.blank", "the text is more than blanks")
	}
	return s
}

// moves reports whether a character controls where or in which direction text is shown, by which a text could pass for another: control
// characters, line and paragraph separators, and the bidirectional embeddings, overrides and isolates (Unicode Standard Annex 9, section 2).
func moves(c rune) bool {
	return unicode.IsControl(c) || c == '\u2028' || c == '\u2029' || c >= '\u202a' && c <= '\u202e' || c >= '\u2066' && c <= '\u2069'
}

// lower is a UUID in lower case, since both cases are the same id (RFC 9562, section 4).
func lower(id string) string { return strings.ToLower(id) }

func (r *reader) mass(m *pb.Mass, at string) mass.Mass {
	if m == nil {
		r.bad(at, "mass.required", "a mass is needed")
		return mass.Mass{}
	}
	unit, ok := units.word(m.GetUnit())
	if !ok {
		r.bad(at+".unit", "mass.unit", "the unit of a mass is lb or kg")
		return mass.Mass{}
	}
	parsed, err := mass.Parse(m.GetValue(), unit)
	if err != nil {
		var rule *mass.RuleError
		if errors.As(err, &rule) {
			r.bad(at+".value", "mass."+string(rule.Rule), strings.TrimPrefix(rule.Error(), "mass: "))
		} else {
			r.bad(at+".value", "mass", "the value is not a mass")
		}
	}
	return parsed
}

// massOrNone reads a mass that may be absent.
func (r *reader) massOrNone(m *pb.Mass, at string) *mass.Mass {
	if m == nil {
		return nil
	}
	v := r.mass(m, at)
	return &v
}

// time reads a moment; absent is a violation. Only years that RFC 3339 can write are moments here.
func (r *reader) time(t *timestamppb.Timestamp, at string) record.Time {
	if t == nil {
		r.bad(at, "time.required", "a time is needed")
		return record.Time{}
	}
	if err := t.CheckValid(); err != nil {
		r.bad(at, "time.valid", "the time is not one between the years 1 and 9999")
		return record.Time{}
	}
	return record.TimeOf(t.AsTime())
}

// effort reads a rating in halves.
func (r *reader) effort(v float64, at string) record.Effort {
	e, ok := record.EffortOf(v)
	if !ok {
		r.bad(at, "effort_rating", "an effort rating is a whole or half number from 0 to 10")
	}
	return e
}

// effortOrNone reads a rating that may be absent.
func (r *reader) effortOrNone(v *float64, at string) *record.Effort {
	if v == nil {
		return nil
	}
	e := r.effort(*v, at)
	return &e
}

// symptoms reads what was reported or seen.
func (r *reader) symptoms(values []pb.Symptom, at string) []record.Symptom {
	var out []record.Symptom
	for i, v := range values {
		out = append(out, pick(r, symptoms, v, index(at, i)))
	}
	return out
}

// pick reads an enum whose value must be given.
func pick[E interface {
	~int32
	String() string
}, W ~string](r *reader, table words[E, W], v E, at string) W {
	word, ok := table.word(v)
	if !ok {
		r.bad(at, "enum.defined", "one of the named values is needed")
	}
	return word
}

// pickOrNone reads an enum that may be unspecified.
func pickOrNone[E interface {
	~int32
	String() string
}, W ~string](r *reader, table words[E, W], v E, at string) W {
	if v == 0 {
		return ""
	}
	return pick(r, table, v, at)
}

// whole reads a whole number that may be absent.
func whole(v *uint32) *int {
	if v == nil {
		return nil
	}
	n := int(*v)
	return &n
}

// index is the path of an item of a repeated field.
func index(at string, i int) string { return at + "[" + strconv.Itoa(i) + "]" }

// defaultPage and maxPage are how many items a page has where the request says nothing, and at most.
const (
	defaultPage = 50
	maxPage     = 500
)

func readPage(p *pb.Page) record.Page {
	size := int(p.GetSize())
	if size == 0 {
		size = defaultPage
	}
	return record.Page{Size: min(size, maxPage), Cursor: p.GetCursor()}
}
