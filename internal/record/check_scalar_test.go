package record_test

import (
	"encoding/json"
	"testing"

	"ponderal.example/internal/record"
)

// FuzzTime: whatever is accepted is exactly what is written again, in UTC.
func FuzzTime(f *testing.F) {
	for _, s := range []string{"2026-03-02T09:15:00Z", "2026-03-02T09:15:00.5Z", "2026-03-02T09:15:00.50Z", "2026-03-02T09:15:00.1234567Z", "2026-03-02T10:15:00+01:00", "2026-02-30T00:00:00Z", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		in, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var at record.Time
		if json.Unmarshal(in, &at) != nil {
			return
		}
		out, err := json.Marshal(at)
		if err != nil || string(out) != string(in) {
			t.Errorf("read %s, wrote %s, %v", in, out, err)
		}
	})
}

// TestTimeRefuses: the spellings that RFC 3339 allows and a record does not, and one that both do.
func TestTimeRefuses(t *testing.T) {
	for s, ok := range map[string]bool{
		`"2026-03-02T09:15:00Z"`:         true,
		`"2026-03-02T09:15:00.000001Z"`:  true,
		`"2026-03-02T09:15:00.10Z"`:      false,
		`"2026-03-02T09:15:00.0000001Z"`: false,
		`"2026-03-02T09:15:00+00:00"`:    false,
		`"2026-02-29T09:15:00Z"`:         false,
		`1772442900`:                     false,
	} {
		var at record.Time
		if err := json.Unmarshal([]byte(s), &at); (err == nil) != ok {
			t.Errorf("%s: %v, want ok %v", s, err, ok)
		}
	}
}

// FuzzEffort: whatever is accepted is on the scale, and what is written again is read as the same rating.
func FuzzEffort(f *testing.F) {
	for _, s := range []string{"0", "7.5", "7.50", "10", "10.5", "7.25", "-0", "1e1", "NaN", `"7"`, "null"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, in []byte) {
		var e record.Effort
		if json.Unmarshal(in, &e) != nil {
			return
		}
		if e < 0 || e > record.EffortMax {
			t.Fatalf("%q: %d halves", in, e)
		}
		out, err := json.Marshal(e)
		var back record.Effort
		if err != nil || json.Unmarshal(out, &back) != nil || back != e {
			t.Errorf("read %q, wrote %q, %v", in, out, err)
		}
	})
}
