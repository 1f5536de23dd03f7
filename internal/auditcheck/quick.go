package auditcheck

import (
	"bytes"
	"time"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// quickEntry reads an entry as respell writes one, its texts free of escapes. It needs no trust: what it read is taken only where writing it again
// gives the same bytes. All else is left to the general decoder.
func quickEntry(content []byte) (record.Entry, bool) {
	p := reading{rest: content}
	var e record.Entry
	p.skip("{")
	p.text("action", &e.Action)
	p.open("actor", "{")
	p.text("app", &e.Actor.App)
	p.text("label", &e.Actor.Label)
	p.text("member_id", &e.Actor.MemberID)
	p.text("request_id", &e.Actor.RequestID)
	p.text("role", (*string)(&e.Actor.Role))
	p.text("token_id", &e.Actor.TokenID)
	p.skip("}")
	var at string
	p.text("at", &at)
	p.text("clinic_id", &e.ClinicID)
	p.number("number", &e.Number)
	p.text("reason", &e.Reason)
	if p.open("records", "[") {
		for p.more() {
			e.Records = append(e.Records, p.record())
		}
	}
	if p.open("subjects", "[") {
		for p.more() {
			e.Subjects = append(e.Subjects, p.quoted())
		}
	}
	p.skip("}")
	moment, err := time.Parse(time.RFC3339Nano, at)
	if err != nil || p.lost || len(p.rest) > 0 {
		return record.Entry{}, false
	}
	e.At = record.TimeOf(moment)
	again, err := respell(e, len(content))
	return e, err == nil && canon.Equal(again, content)
}

// reading is what is left of a text, and whether it stopped being what was expected.
type reading struct {
	rest []byte
	lost bool
}

func (p *reading) record() (w record.Written) {
	var revision, first, series int64
	p.skip("{")
	p.text("digest", &w.Digest)
	p.text("id", &w.ID)
	p.text("kind", &w.Kind)
	p.number("revision", &revision)
	w.Revision = int(revision)
	if p.open("trials", "[") {
		for p.more() {
			var t record.WrittenTrials
			p.skip("{")
			p.text("digests", &t.Digests)
			p.number("first", &first)
			p.number("series", &series)
			p.skip("}")
			t.First, t.Series = int(first), int(series)
			w.Trials = append(w.Trials, t)
		}
	}
	p.skip("}")
	return w
}

// skip passes over what must come next.
func (p *reading) skip(what string) {
	rest, ok := bytes.CutPrefix(p.rest, []byte(what))
	p.rest, p.lost = rest, p.lost || !ok
}

// member passes over a member's name and the comma before it; false when another comes next, or none.
func (p *reading) member(name string) bool {
	rest := p.rest
	if len(rest) > 0 && rest[0] == ',' {
		rest = rest[1:]
	}
	n := len(name)
	if p.lost || len(rest) < n+3 || rest[0] != '"' || string(rest[1:n+1]) != name || rest[n+1] != '"' || rest[n+2] != ':' {
		return false
	}
	p.rest = rest[n+3:]
	return true
}

// open enters a member that is an array or object.
func (p *reading) open(name, bracket string) bool {
	if !p.member(name) {
		return false
	}
	p.skip(bracket)
	return !p.lost
}

// more reports whether an array goes on, and leaves it where it does not.
func (p *reading) more() bool {
	switch {
	case p.lost || len(p.rest) == 0:
		p.lost = true
		return false
	case p.rest[0] == ']':
		p.rest = p.rest[1:]
		return false
	case p.rest[0] == ',':
		p.rest = p.rest[1:]
	}
	return true
}

func (p *reading) text(name string, to *string) {
	if p.member(name) {
		*to = p.quoted()
	}
}

// quoted reads a text without escapes.
func (p *reading) quoted() string {
	if len(p.rest) > 0 && p.rest[0] == '"' {
		rest := p.rest[1:]
		if n := bytes.IndexByte(rest, '"'); n >= 0 && bytes.IndexByte(rest[:n], '\\') < 0 {
			p.rest = rest[n+1:]
			return string(rest[:n])
		}
	}
	p.lost = true
	return ""
}

// number reads a whole number of up to 16 digits that is not negative: none larger stands in an entry.
func (p *reading) number(name string, to *int64) {
	if !p.member(name) {
		return
	}
	i, n := 0, int64(0)
	for ; i < len(p.rest) && i <= 16 && p.rest[i] >= '0' && p.rest[i] <= '9'; i++ {
		n = n*10 + int64(p.rest[i]-'0')
	}
	p.lost = p.lost || i == 0 || i > 16
	p.rest, *to = p.rest[i:], n
}
