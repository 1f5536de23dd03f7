// Package capacity finds what one series shows: the highest accepted load, the bracket up to the load that ended it, and why it ended.
package capacity

import (
	"cmp"
	"slices"

	"ponderal.example/internal/engine/accept"
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Of finds the capacity of a series. Trials are taken in the order of their numbers; blinded trials count as others do.
func Of(s *record.Series, l *guard.Limits) record.Capacity {
	trials := Ordered(s.Trials)
	c := record.Capacity{
		SeriesNumber: s.Number,
		Zone:         s.Zone,
		Pace:         s.Pace,
		TotalTrials:  len(trials),
		Trials:       make([]record.TrialVerdict, len(trials)),
	}
	for i := range trials {
		hits := l.Work(&trials[i])
		c.Trials[i] = record.TrialVerdict{Number: trials[i].Number, Status: accept.Status(&trials[i], hits), Guards: hits}
	}
	c.Load, c.AcceptedTrials = highestAccepted(trials, c.Trials)
	c.BracketTo = bracket(trials, c.Trials, c.Load)
	c.EndReason = endReason(s.Stop, trials, c.Trials)
	return c
}

// Ordered returns the trials by number without touching the input; Trials of a capacity stand in the same order.
func Ordered(trials []record.Trial) []record.Trial {
	if ordered(trials) {
		return trials
	}
	sorted := slices.Clone(trials)
	slices.SortStableFunc(sorted, func(a, b record.Trial) int { return cmp.Compare(a.Number, b.Number) })
	return sorted
}

// ordered reads the numbers in place: a trial is large, and comparing copies two.
func ordered(trials []record.Trial) bool {
	for i := 1; i < len(trials); i++ {
		if trials[i].Number < trials[i-1].Number {
			return false
		}
	}
	return true
}

func highestAccepted(trials []record.Trial, verdicts []record.TrialVerdict) (load *mass.Mass, accepted int) {
	best := mass.Zero()
	for i := range trials {
		if verdicts[i].Status != record.TrialAccepted {
			continue
		}
		if accepted == 0 || best.Less(trials[i].Load) {
			best = trials[i].Load
		}
		accepted++
	}
	if accepted == 0 {
		return nil, 0
	}
	return &best, accepted
}

// bracket is the lightest load above the capacity that failed or ran into a limit which ends a series. Where nothing was accepted it is
// the lightest such load of all: the capacity is below it.
func bracket(trials []record.Trial, verdicts []record.TrialVerdict, load *mass.Mass) *mass.Mass {
	lightest, found := mass.Zero(), false
	for i := range trials {
		m := trials[i].Load
		above := load == nil || load.Less(m)
		if above && (verdicts[i].Status == record.TrialFailed || ends(verdicts[i].Guards)) && (!found || m.Less(lightest)) {
			lightest, found = m, true
		}
	}
	if !found {
		return nil
	}
	return &lightest
}

func ends(hits []record.GuardHit) bool {
	return slices.ContainsFunc(hits, func(h record.GuardHit) bool { return h.Ends })
}

// Tested reports whether a series says anything about the capacity: a trial was accepted, or one failed. A series whose trials are all
// incomplete or closed says nothing; to count it as a capacity of nothing would be a statement about the person that nobody measured.
func Tested(c *record.Capacity) bool {
	if c.Load != nil {
		return true
	}
	return slices.ContainsFunc(c.Trials, func(v record.TrialVerdict) bool { return v.Status == record.TrialFailed })
}

// Unresolved reports whether trial i lacks a required measurement and no later trial at the same load has what it needs. Trials and
// verdicts are those of one series, in the order of Ordered.
func Unresolved(trials []record.Trial, verdicts []record.TrialVerdict, i int) bool {
	if verdicts[i].Status != record.TrialIncomplete {
		return false
	}
	for j := i + 1; j < len(trials); j++ {
		if trials[j].Load == trials[i].Load && verdicts[j].Status != record.TrialIncomplete {
			return false
		}
	}
	return true
}

// ContinuedAfter reports whether a heavier load followed on trial i although that trial ran into a limit that ends a series: symptom,
// mechanics, heart rate, effort or ceiling.
func ContinuedAfter(trials []record.Trial, verdicts []record.TrialVerdict, i int) bool {
	return heavierAfter(trials, i) && slices.ContainsFunc(verdicts[i].Guards, func(h record.GuardHit) bool {
		r, ok := guard.EndOf(h)
		return ok && guard.Safety(r)
	})
}
