package auditcheck

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// TestSpelled: quick reader and writer agree with the general ones for every entry of a filled network, and no other spelling passes.
func TestSpelled(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	contents := w.ask("SELECT content FROM ponderal.audit_entry ORDER BY clinic_id, number")
	for _, content := range contents {
		var e record.Entry
		quickly, ok := quickEntry([]byte(content))
		if !ok || !strict([]byte(content), &e) || !cmp.Equal(quickly, e) {
			t.Fatalf("%s is read as %v, %t", content, quickly, ok)
		}
		quick, general := must(respell(e, 0))(t), must(canon.Marshal(e))(t)
		if string(quick) != string(general) || string(quick) != content {
			t.Fatalf("got %s, want %s", quick, general)
		}
		for _, other := range []string{content + " ", strings.Replace(content, ":", ": ", 1), strings.Replace(content, `"action"`, `"\u0061ction"`, 1),
			strings.Replace(content, `{`, `{"reason":"",`, 1)} {
			if _, ok := readEntry([]byte(other)); ok {
				t.Errorf("another spelling passes: %s", other)
			}
		}
	}
	escaped := strings.Replace(contents[0], `"app":"test"`, `"app":"te\"st"`, 1)
	if e, ok := readEntry([]byte(escaped)); !ok || e.Actor.App != `te"st` {
		t.Errorf("a text with an escape is left to the general decoder and read: got %v, %t of %s", e, ok, escaped)
	}
	if len(contents) < 60 {
		t.Errorf("only %d entries", len(contents))
	}
}

// FuzzQuickEntry: what the quick reader takes, the general decoder reads the same, and its canonical form is that text.
func FuzzQuickEntry(f *testing.F) {
	f.Add([]byte(`{"action":"client.put","actor":{"role":"clinic_admin"},"at":"2026-03-02T09:15:00Z","clinic_id":"c","number":7,"records":[{"digest":"d","id":"i","kind":"session","revision":1,"trials":[{"digests":"d","first":1,"series":1}]}],"subjects":["s","t"]}`))
	f.Add([]byte(`{"action":"","actor":{},"at":"2026-03-02T09:15:00.5Z","clinic_id":"","number":0}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		quickly, ok := quickEntry(doc)
		if !ok {
			return
		}
		var e record.Entry
		again, err := canon.Marshal(quickly)
		if !strict(doc, &e) || !cmp.Equal(quickly, e) || err != nil || string(again) != string(doc) {
			t.Errorf("%q: got %v, want %v, written again %q", doc, quickly, e, again)
		}
	})
}
