package soak

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"
)

// Report is what a soak found. Times are in seconds.
type Report struct {
	Seed   uint64 `json:"seed"`
	Rounds int    `json:"rounds"`
	// Faults are the rounds of each fault with the longest time that a clinic had no push acknowledged in one of them.
	Faults  map[string]Fault `json:"faults"`
	Seconds float64          `json:"seconds"`
	// Acknowledged and Unacknowledged are sessions sent; FoundThough are those of the latter that are stored.
	Acknowledged   int `json:"acknowledged"`
	Unacknowledged int `json:"unacknowledged"`
	FoundThough    int `json:"unacknowledged_but_stored"`
	// LeftOut are faults that were not tried, with the reason.
	LeftOut []string `json:"left_out"`
	// Problems are the promises that were broken.
	Problems []string `json:"problems"`
}

// Fault is what was seen of one kind of fault.
type Fault struct {
	Rounds     int     `json:"rounds"`
	LongestGap float64 `json:"longest_gap_seconds"`
}

func (r *Report) add(kind string, gap time.Duration) {
	if r.Faults == nil {
		r.Faults = map[string]Fault{}
	}
	f := r.Faults[kind]
	f.Rounds++
	f.LongestGap = max(f.LongestGap, gap.Seconds())
	r.Faults[kind] = f
	r.Rounds++
}

// WriteJSON writes the report for programs.
func (r Report) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(r); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// WriteText writes the report for people.
func (r Report) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%-44s %7s %22s\n", "fault", "rounds", "longest without a push")
	for _, kind := range slices.Sorted(maps.Keys(r.Faults)) {
		fmt.Fprintf(&b, "%-44s %7d %20.1f s\n", kind, r.Faults[kind].Rounds, r.Faults[kind].LongestGap)
	}
	fmt.Fprintf(&b, "\n%d rounds of seed %d in %.0f s\n", r.Rounds, r.Seed, r.Seconds)
	fmt.Fprintf(&b, "acknowledged: %d sessions, each there exactly once, or see below\n", r.Acknowledged)
	fmt.Fprintf(&b, "not acknowledged: %d, of which %d are stored whole all the same, or see below\n", r.Unacknowledged, r.FoundThough)
	for _, line := range r.LeftOut {
		fmt.Fprintf(&b, "not tried: %s\n", line)
	}
	if len(r.Problems) == 0 {
		b.WriteString("every audit log is intact; no promise was broken\n")
	}
	for i, line := range r.Problems {
		if i == 20 {
			fmt.Fprintf(&b, "and %d more\n", len(r.Problems)-i)
			break
		}
		fmt.Fprintf(&b, "BROKEN: %s\n", line)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}
