package capacity

import (
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/record"
)

// endReason says why a series ended: the gravest of
//
//   - what the last trial ran into, and what a trial before it ran into when nothing heavier followed (a retest at a lighter or equal
//     load, blinded or not, does not undo the limit that ended the climb);
//   - the evaluator's recorded stop, so that a symptom between trials is never hidden by a lesser limit.
//
// A client who finds the load not sustainable, or no more possible, ends the series by will. Where nothing tells, the series is
// incomplete. It is incomplete as well when its last trial lacks a required measurement, since that trial must be completed,
// repeated or closed with a reason; only a limit that the series ran into, or a recorded symptom, ends it all the same.
func endReason(stop record.Stop, trials []record.Trial, verdicts []record.TrialVerdict) record.EndReason {
	end := stopReason(stop)
	if open(verdicts) && end != record.EndSymptom {
		end = record.EndIncomplete
	}
	for i := len(trials) - 1; i >= 0; i-- {
		if heavierAfter(trials, i) {
			continue
		}
		for _, hit := range verdicts[i].Guards {
			if r, ok := guard.EndOf(hit); ok && guard.Rank(r) < guard.Rank(end) {
				end = r
			}
		}
	}
	if open(verdicts) && !guard.Safety(end) {
		return record.EndIncomplete
	}
	return end
}

func stopReason(stop record.Stop) record.EndReason {
	switch stop {
	case record.StopVolitional:
		return record.EndVolitional
	case record.StopAdministrative:
		return record.EndAdministrative
	case record.StopCeiling:
		return record.EndCeiling
	case record.StopSymptom:
		return record.EndSymptom
	}
	return record.EndIncomplete
}

// open reports whether the last trial lacks a required measurement and was not closed.
func open(verdicts []record.TrialVerdict) bool {
	return len(verdicts) > 0 && verdicts[len(verdicts)-1].Status == record.TrialIncomplete
}

func heavierAfter(trials []record.Trial, i int) bool {
	for j := i + 1; j < len(trials); j++ {
		if trials[i].Load.Less(trials[j].Load) {
			return true
		}
	}
	return false
}
