package accept_test

import (
	"testing"

	"ponderal.example/internal/engine/accept"
	"ponderal.example/internal/record"
)

func TestStatus(t *testing.T) {
	missing := record.GuardHit{Guard: record.GuardMissingMeasurement}
	voids := record.GuardHit{Guard: record.GuardMechanics, Voids: true, Ends: true}
	ends := record.GuardHit{Guard: record.GuardEffortStop, Ends: true}
	for _, c := range []struct {
		name   string
		closed string
		hits   []record.GuardHit
		want   record.TrialStatus
	}{
		{"no limit broken", "", nil, record.TrialAccepted},
		{"a limit that ends", "", []record.GuardHit{ends}, record.TrialAccepted},
		{"a limit that voids", "", []record.GuardHit{ends, voids}, record.TrialFailed},
		{"a measurement missing", "", []record.GuardHit{missing}, record.TrialIncomplete},
		{"a measurement missing and a limit that voids", "", []record.GuardHit{voids, missing}, record.TrialIncomplete},
		{"closed with a reason", "strap", []record.GuardHit{voids, missing}, record.TrialClosed},
		{"a reason and nothing missing", "strap", []record.GuardHit{voids}, record.TrialFailed},
		{"a reason and no limit broken", "strap", nil, record.TrialAccepted},
	} {
		if got := accept.Status(&record.Trial{ClosedReason: c.closed}, c.hits); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
