package demo

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
	"ponderal.example/internal/mass"
)

// correction is what was corrected, for the chapters after it.
type correction struct {
	clinic         *clinicDay
	visit          *scenario.Visit
	series, trial  uint32
	reason         string
	before, after  *ponderalv1.Finding
	old, successor string
}

// correct replaces one trial with a reason, supersedes the result, and shows that the old one stands beside it.
func (s *story) correct(ctx context.Context) error {
	c, err := s.pickTrial()
	if err != nil {
		return err
	}
	if err := s.correctTrial(ctx, &c); err != nil {
		return err
	}
	s.fixed = c
	if err := s.supersede(ctx, &s.fixed); err != nil {
		return err
	}
	return s.pullSuccessor(ctx, &s.fixed)
}

// pickTrial finds a released result with a series whose last trial was accepted as the client's last; best one on which the recommendation
// hangs, or at least a task.
func (s *story) pickTrial() (correction, error) {
	var best correction
	found := -1
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if v.Release == nil || d.results[v.Session.Id] == nil {
				continue
			}
			for i, series := range v.Session.Series {
				last := series.Trials[len(series.Trials)-1]
				if v.Ends[i] != ponderalv1.EndReason_END_REASON_VOLITIONAL || !last.GetSustainable() {
					continue
				}
				before := d.findings[v.Session.Id]
				if weight := weightOf(before, series); weight > found {
					found = weight
					best = correction{clinic: d, visit: v, series: series.Number, trial: last.Number, old: d.results[v.Session.Id].GetId(), before: before,
						reason: "The client's answer was entered as yes; the signed test sheet says no."}
				}
			}
		}
	}
	if found < 0 {
		return correction{}, errors.New("no trial is fit to be corrected")
	}
	return best, nil
}

// weightOf says how much hangs on the last trial of a series: 2 the recommendation, 1 a task, 0 neither.
func weightOf(f *ponderalv1.Finding, series *ponderalv1.Series) int {
	switch {
	case !decides(f, series):
		return 0
	case f.GetJob().GetOutcome() == ponderalv1.JobOutcome_JOB_OUTCOME_MEETS:
		return 2
	}
	return 1
}

// decides reports whether the last trial's load meets a demand of the job that the one before it does not.
func decides(f *ponderalv1.Finding, series *ponderalv1.Series) bool {
	before := series.Trials[len(series.Trials)-2].Load
	for _, t := range f.GetJob().GetTasks() {
		if t.GetZone() == series.Zone && t.GetPace() == series.Pace && t.GetVerdict() == ponderalv1.TaskVerdict_TASK_VERDICT_WITHIN && lighter(before, t.GetDemand()) {
			return true
		}
	}
	return false
}

func lighter(a, b *ponderalv1.Mass) bool {
	x, errX := mass.Parse(a.GetValue(), mass.Unit(unitWord(a.GetUnit())))
	y, errY := mass.Parse(b.GetValue(), mass.Unit(unitWord(b.GetUnit())))
	return errX == nil && errY == nil && x.Less(y)
}

func (s *story) correctTrial(ctx context.Context, c *correction) error {
	no := false
	trial := proto.CloneOf(c.visit.Session.Series[c.series-1].Trials[c.trial-1])
	trial.Sustainable = &no
	in := &ponderalv1.CorrectTrialRequest{SessionId: c.visit.Session.Id, SeriesNumber: c.series, Trial: trial, ExpectedRevision: c.before.GetSessionRevision(), Reason: c.reason}
	got, err := caller.Do[ponderalv1.CorrectTrialResponse](ctx, c.clinic.reviewer, "SessionService/CorrectTrial", in)
	if err != nil {
		return fmt.Errorf("correct trial %d of series %d: %w", c.trial, c.series, err)
	}
	c.after = got.GetFinding()
	before, after := c.before.GetCapacities()[c.series-1], c.after.GetCapacities()[c.series-1]
	if len(got.GetDifferences()) == 0 || massWord(before.GetLoad()) == massWord(after.GetLoad()) {
		return errors.New("the correction changed nothing in the finding, want another capacity")
	}
	s.p.say("%s corrects trial %d of series %d (%s) of %s: could the load be sustained at this pace through a working day? Reason: %s",
		c.clinic.Reviewer.Name, c.trial, c.series, zoneWord(after.GetZone()), fullName(c.visit.Client), c.reason)
	s.p.fact("measured trial", "stays readable as revision %d of session %s", c.before.GetSessionRevision(), c.visit.Session.Id)
	s.p.fact("trial", "%s, now %s", statusWord(before.GetTrials()[c.trial-1].GetStatus()), statusWord(after.GetTrials()[c.trial-1].GetStatus()))
	s.p.fact("capacity", "%s, now %s", massWord(before.GetLoad()), massWord(after.GetLoad()))
	s.p.fact("strength level", "%s, now %s", levelOf(c.before.GetOverall()), levelOf(c.after.GetOverall()))
	s.p.fact("recommendation", "%s, now %s", outcomeWord(c.before.GetJob().GetOutcome()), outcomeWord(c.after.GetJob().GetOutcome()))
	s.p.say("Every difference in the finding:")
	s.differences(got.GetDifferences())
	return s.firstRevision(ctx, c)
}

// differences lists fields with what they were and are.
func (s *story) differences(all []*ponderalv1.Difference) {
	for _, d := range all {
		s.p.wrapped("      "+d.GetPath()+": ", "        ", orNothing(d.GetWas())+" -> "+orNothing(d.GetNow()))
	}
}

// firstRevision wants what was measured to be readable still.
func (s *story) firstRevision(ctx context.Context, c *correction) error {
	got, err := caller.Do[ponderalv1.GetSessionResponse](ctx, c.clinic.reviewer, "SessionService/GetSession",
		&ponderalv1.GetSessionRequest{Id: c.visit.Session.Id, Revision: c.before.GetSessionRevision()})
	if err != nil {
		return fmt.Errorf("read the measured revision: %w", err)
	}
	series := got.GetSession().GetSeries()
	if int(c.series) > len(series) || !series[c.series-1].GetTrials()[c.trial-1].GetSustainable() {
		return errors.New("the measured revision no longer says what was measured")
	}
	return nil
}

func (s *story) supersede(ctx context.Context, c *correction) error {
	in := &ponderalv1.SupersedeResultRequest{SupersededId: c.old, ResultId: s.day.NewID(), SessionRevision: c.after.GetSessionRevision(),
		Meaning: ponderalv1.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Decision: c.after.GetJob().GetOutcome(), Reason: c.reason,
		Proof: c.clinic.proof()}
	got, err := caller.Do[ponderalv1.SupersedeResultResponse](ctx, c.clinic.reviewer, "ResultService/SupersedeResult", in)
	if err != nil {
		return fmt.Errorf("supersede result %s: %w", c.old, err)
	}
	c.successor = got.GetResult().GetId()
	old, err := caller.Do[ponderalv1.GetResultResponse](ctx, c.clinic.reviewer, "ResultService/GetResult", &ponderalv1.GetResultRequest{Id: c.old})
	if err != nil {
		return fmt.Errorf("read the superseded result: %w", err)
	}
	if got.GetResult().GetSupersedes() != c.old || old.GetResult().GetSupersededBy() != c.successor {
		return errors.New("the two results do not name each other")
	}
	if old.GetResult().GetBundle().GetJws() != c.clinic.results[c.visit.Session.Id].GetBundle().GetJws() {
		return errors.New("the superseded result is no longer what was signed")
	}
	s.p.blank()
	s.p.fact("old result", "%s, readable as it was signed, marked as superseded", c.old)
	s.p.fact("new result", "%s, names the one that it replaces and why", c.successor)
	return nil
}

// pullSuccessor wants the new result at the end of the feed, verifying, and the old one marked.
func (s *story) pullSuccessor(ctx context.Context, c *correction) error {
	items, _, err := s.feed(ctx)
	if err != nil {
		return err
	}
	last := items[len(items)-1]
	if last.GetResult().GetId() != c.successor {
		return fmt.Errorf("the feed ends with %s, want the new result %s", last.GetResult().GetId(), c.successor)
	}
	row, err := s.verifyItem(last)
	if err != nil {
		return err
	}
	marked := false
	for _, item := range items {
		marked = marked || item.GetResult().GetId() == c.old && item.GetResult().GetSupersededBy() == c.successor
	}
	if !marked {
		return errors.New("the payer's feed does not mark the old result as superseded")
	}
	s.p.fact("payer's feed", "item %d is the new result (verified, %s); the old one is marked", last.GetNumber(), row[5])
	return nil
}
