package record

import (
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// Time is a moment in UTC at the resolution of microseconds, which is what Postgres keeps. JSON: RFC 3339, "2026-03-02T09:15:00Z", with a
// fraction only where there is one.
type Time struct{ t time.Time }

// TimeOf makes a Time; anything below a microsecond is cut off.
func TimeOf(t time.Time) Time { return Time{t.UTC().Truncate(time.Microsecond)} }

// Std returns the standard library's form.
func (t Time) Std() time.Time { return t.t }

// IsZero reports whether no moment was given.
func (t Time) IsZero() bool { return t.t.IsZero() }

// Before reports whether t is before u.
func (t Time) Before(u Time) bool { return t.t.Before(u.t) }

// Equal reports whether both are the same moment.
func (t Time) Equal(u Time) bool { return t.t.Equal(u.t) }

// String gives the JSON form without quotes.
func (t Time) String() string { return t.t.Format("2006-01-02T15:04:05.999999Z07:00") }

// MarshalJSON writes RFC 3339 in UTC.
func (t Time) MarshalJSON() ([]byte, error) { return []byte(`"` + t.String() + `"`), nil }

// UnmarshalJSON accepts exactly what MarshalJSON writes.
func (t *Time) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("read time: %w", err)
	}
	parsed, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return fmt.Errorf("read time: %w", err)
	}
	got := TimeOf(parsed)
	if got.String() != s {
		return fmt.Errorf("read time %q: not in canonical form %q", s, got)
	}
	*t = got
	return nil
}

// Effort is an effort rating in halves: 15 stands for 7.5. JSON: the number itself.
type Effort int

// EffortMax is the top of the scale, 10.
const EffortMax Effort = 20

// EffortOf makes a rating from its number; ok is false outside 0 to 10 or between halves.
func EffortOf(v float64) (e Effort, ok bool) {
	if !(v >= 0 && v <= 10) {
		return 0, false
	}
	h := v * 2
	if h != float64(int(h)) {
		return 0, false
	}
	return Effort(int(h)), true
}

// Float returns the rating as a number; halves are exact.
func (e Effort) Float() float64 { return float64(e) / 2 }

// String gives "7" or "7.5".
func (e Effort) String() string {
	if e%2 == 0 {
		return strconv.Itoa(int(e) / 2)
	}
	return strconv.Itoa(int(e)/2) + ".5"
}

// MarshalJSON writes the number.
func (e Effort) MarshalJSON() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalJSON reads the number.
func (e *Effort) UnmarshalJSON(b []byte) error {
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return fmt.Errorf("read effort rating: %w", err)
	}
	got, ok := EffortOf(v)
	if !ok {
		return fmt.Errorf("read effort rating %s: it is a whole or half number from 0 to 10", b)
	}
	*e = got
	return nil
}
