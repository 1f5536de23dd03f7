// Package accept decides what one trial is worth: accepted, failed, incomplete or closed.
package accept

import "ponderal.example/internal/record"

// Status of a trial from the limits that it did not respect.
//
//   - A trial that lacks a required measurement is neither accepted nor failed, whatever else is known of it: it is incomplete until it
//     is completed or repeated, or closed once a reason was given.
//   - Otherwise it failed when a limit that voids it was not respected: symptom, mechanics grade 3, heart rate, too few repetitions,
//     a load that the client calls not sustainable.
//   - Otherwise it is accepted. An effort rating at the stop, a load above the ceiling or a client who wants no more end the series and
//     leave the trial accepted.
func Status(t *record.Trial, hits []record.GuardHit) record.TrialStatus {
	voided := false
	for i := range hits {
		if hits[i].Guard == record.GuardMissingMeasurement {
			if t.ClosedReason != "" {
				return record.TrialClosed
			}
			return record.TrialIncomplete
		}
		voided = voided || hits[i].Voids
	}
	if voided {
		return record.TrialFailed
	}
	return record.TrialAccepted
}
