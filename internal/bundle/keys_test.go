package bundle

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// marks are what a key set says of the maker's keys; zero for nothing.
type marks struct {
	result, log, second time.Time
}

// markedRing is the maker's key set with these marks, and a second log key in it.
func (m *maker) markedRing(second seal.Key, x marks) seal.Ring {
	result, log, other := m.resultKey.Public(), m.logKey.Public(), second.Public()
	result.CompromisedFrom, log.CompromisedFrom, other.CompromisedFrom = x.result, x.log, x.second
	return must(seal.NewRing(result, log, other))(m.t)
}

// dated is a bundle whose signature and entry have these times.
func (m *maker) dated(signed, recorded time.Time) Bundle {
	doc := m.document()
	doc.Signature.At = record.TimeOf(signed)
	return m.bundle(doc, 4, 2, func(e *record.Entry) { e.At = record.TimeOf(recorded) })
}

// alsoSigned adds the signature of a second log key to the head.
func (m *maker) alsoSigned(b Bundle, second seal.Key) Bundle {
	text, _, _ := strings.Cut(b.Checkpoint, "\n\n")
	head := must(seal.ParseCheckpoint(text + "\n"))(m.t)
	note := must(seal.SignCheckpoint(m.t.Context(), second, head.Origin, head.Size, head.Root))(m.t)
	_, line, _ := strings.Cut(note, "\n\n")
	b.Checkpoint += line
	return b
}

// TestCompromisedKeys holds each rule at its boundary: a microsecond before the mark's moment counts as before, the moment itself does not.
func TestCompromisedKeys(t *testing.T) {
	const tick = time.Microsecond
	m := newMaker(t)
	source := seeded(8)
	second := must(seal.GenerateKey(source, seal.UseLog))(t)
	at := m.document().Signature.At.Std()
	later, none := at.Add(24*time.Hour), time.Time{}
	one := m.dated(at, at)
	for name, c := range map[string]struct {
		bundle Bundle
		marks  marks
		// ok with this in the remark, otherwise failed with it in the reason.
		ok   bool
		says string
	}{
		"no mark": {one, marks{}, true, ""},
		"result key, a microsecond after the result": {one, marks{result: at.Add(tick)}, true, "The log shows that it is older, not the key"},
		"result key, at the result's moment":         {one, marks{result: at}, false, "result key " + m.resultKey.ID + " is marked compromised from " + seal.FormatMoment(at)},
		"result key, before the result":              {one, marks{result: at.Add(-tick)}, false, "whoever holds that key can have signed it"},
		"signed before, recorded at the moment":      {m.dated(at.Add(-tick), at), marks{result: at}, false, "recorded " + seal.FormatMoment(at)},
		"signed at the moment, recorded before":      {m.dated(at, at.Add(-tick)), marks{result: at}, false, "dated " + seal.FormatMoment(at)},
		"both a microsecond before":                  {m.dated(at.Add(-tick), at.Add(-tick)), marks{result: at}, true, "before that"},
		"log key, a microsecond after the entry":     {one, marks{log: at.Add(tick)}, true, "a witness cosigned before that moment"},
		"log key, at the entry's moment":             {one, marks{log: at}, false, "log key " + m.logKey.ID + " is marked compromised from " + seal.FormatMoment(at)},
		"log key, before the entry":                  {one, marks{log: at.Add(-tick)}, false, "whoever holds that key can have written it"},
		"log key, entry a microsecond earlier":       {m.dated(at, at.Add(-tick)), marks{log: at}, true, m.resultKey.ID + ", which has no mark"},
		"both keys, long after":                      {one, marks{result: later, log: later}, false, "only the log could show"},
		"a key that signed nothing here":             {one, marks{second: none.AddDate(1, 0, 0)}, true, ""},
		"two log keys, one marked":                   {m.alsoSigned(one, second), marks{log: at}, true, ""},
		"two log keys, the other marked":             {m.alsoSigned(one, second), marks{second: at}, true, ""},
		"result key, two log keys, one marked":       {m.alsoSigned(one, second), marks{result: later, log: at}, true, "signed by log key " + second.ID},
		"two log keys, both marked, one after":       {m.alsoSigned(one, second), marks{log: at, second: at.Add(tick)}, true, "log key " + second.ID},
		"two log keys, both marked at the moment":    {m.alsoSigned(one, second), marks{log: at, second: at}, false, "is marked compromised"},
	} {
		t.Run(name, func(t *testing.T) {
			ring := m.markedRing(second, c.marks)
			if !c.ok {
				r, _ := Verify(ring, c.bundle, "")
				wantFailure(t, ring, c.bundle, "", "keys")
				if s := stepOf(r, "keys"); !strings.Contains(s.Why, c.says) || s.Remark != "" {
					t.Errorf("because %q with remark %q, want %q and none", s.Why, s.Remark, c.says)
				}
				return
			}
			r, err := Verify(ring, c.bundle, "")
			if err != nil {
				t.Fatal(err)
			}
			if s := stepOf(r, "keys"); !strings.Contains(s.Remark, c.says) || (s.Remark == "") != (c.says == "") {
				t.Errorf("remark %q, want %q", s.Remark, c.says)
			}
		})
	}
}

func stepOf(r Report, name string) Step {
	if i := slices.IndexFunc(r.Steps, func(s Step) bool { return s.Name == name }); i >= 0 {
		return r.Steps[i]
	}
	return Step{}
}

// TestRetiredKeysVerifyForEver: whatever the moment, also one before the result, and without a remark; a key that was retired and then found
// compromised is judged by the mark.
func TestRetiredKeysVerifyForEver(t *testing.T) {
	m := newMaker(t)
	b := m.bundle(m.document(), 4, 2, nil)
	at := m.document().Signature.At.Std()
	for _, retired := range []time.Time{at.AddDate(-1, 0, 0), at, at.AddDate(40, 0, 0)} {
		result, log := m.resultKey.Public(), m.logKey.Public()
		result.RetiredAt, log.RetiredAt = retired, retired
		r, err := Verify(must(seal.NewRing(result, log))(t), b, "")
		if err != nil || stepOf(r, "keys").Remark != "" {
			t.Errorf("retired %s: %v, remark %q", retired, err, stepOf(r, "keys").Remark)
		}
		result.CompromisedFrom = at
		wantFailure(t, must(seal.NewRing(result, log))(t), b, "", "keys")
	}
}

// TestRemarkIsSaid: a report that rests on something says so in its first line and under the step, and one that does not says neither.
func TestRemarkIsSaid(t *testing.T) {
	m := newMaker(t)
	b := m.bundle(m.document(), 4, 2, nil)
	result := m.resultKey.Public()
	for moment, want := range map[time.Time]bool{{}: false, m.document().Signature.At.Std().Add(time.Microsecond): true} {
		result.CompromisedFrom = moment
		r := must(Verify(must(seal.NewRing(result, m.logKey.Public()))(t), b, ""))(t)
		var out strings.Builder
		if err := r.WriteText(&out); err != nil {
			t.Fatal(err)
		}
		first, rest, _ := strings.Cut(out.String(), "\n")
		text := strings.Join(strings.Fields(rest), " ")
		if got := strings.HasSuffix(first, "with a remark."); got != want {
			t.Errorf("marked %s: the report begins %q", moment, first)
		}
		if got := strings.Contains(text, "remark: result key "+result.ID+" is marked compromised from "); got != want {
			t.Errorf("marked %s: remark in the report: %t, want %t", moment, got, want)
		}
	}
}
