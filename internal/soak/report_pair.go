package soak

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// PairReport is what was seen of a pair. Times are in seconds.
type PairReport struct {
	// KillSeconds and PromoteSeconds are how long those took; GapSeconds is the longest time from the kill on in which a clinic had no push acknowledged, in
	// which both are contained. FailOverFailures are answers that were no acknowledgement, all of which a repetition mended.
	KillSeconds      float64 `json:"kill_seconds"`
	PromoteSeconds   float64 `json:"promote_seconds"`
	GapSeconds       float64 `json:"gap_seconds"`
	FailOverFailures int     `json:"fail_over_failures_mended"`
	// Restarts of replicas in turn, with the failures that a repetition over the other replica mended, the slowest single push, and the longest time in which a
	// clinic had none acknowledged.
	Restarts       int      `json:"restarts"`
	RollFailures   int      `json:"restart_failures_mended"`
	RollSlowest    float64  `json:"restart_slowest_push_seconds"`
	RollGapSeconds float64  `json:"restart_gap_seconds"`
	Acknowledged   int      `json:"acknowledged"`
	Problems       []string `json:"problems"`
}

// WriteJSON writes the report for programs.
func (r PairReport) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(r); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

// WriteText writes the report for people.
func (r PairReport) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "primary killed (%.2f s), standby promoted (%.2f s): %.2f s until every clinic had pushes acknowledged again, both included\n", r.KillSeconds, r.PromoteSeconds, r.GapSeconds)
	fmt.Fprintf(&b, "%d pushes failed meanwhile, and a repetition mended each\n", r.FailOverFailures)
	fmt.Fprintf(&b, "%d restarts of replicas in turn: %d pushes failed and a repetition mended each; the slowest push took %.2f s, longest without any %.2f s\n",
		r.Restarts, r.RollFailures, r.RollSlowest, r.RollGapSeconds)
	fmt.Fprintf(&b, "acknowledged: %d sessions\n", r.Acknowledged)
	if len(r.Problems) == 0 {
		b.WriteString("all of them are there exactly once, and every audit log is intact\n")
	}
	for _, line := range r.Problems {
		fmt.Fprintf(&b, "BROKEN: %s\n", line)
	}
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}
