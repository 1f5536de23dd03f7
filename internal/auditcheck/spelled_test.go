package auditcheck

import (
	"strings"
	"testing"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// TestSpelled: the quick writer has the bytes of the general one for every entry of a filled network, and no other spelling passes.
func TestSpelled(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	contents := w.ask("SELECT content FROM ponderal.audit_entry ORDER BY clinic_id, number")
	for _, content := range contents {
		var e record.Entry
		if !strict([]byte(content), &e) || !spelled(e, []byte(content)) {
			t.Fatalf("not canonical: %s", content)
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
	if len(contents) < 60 {
		t.Errorf("only %d entries", len(contents))
	}
}
