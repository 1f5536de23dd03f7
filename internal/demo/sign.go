package demo

import (
	"context"
	"fmt"
	"time"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
)

// firstResultAim is how long it should take at most from the start of the program to the first signed result. It is measured and told, and fails
// nothing: a machine that is busy with other things is no defect.
const firstResultAim = 10 * time.Second

// sign has each reviewer sign the findings of the clinic's complete sessions.
func (s *story) sign(ctx context.Context) error {
	total, first := 0, time.Duration(0)
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if v.Complete() {
				total++
			}
		}
	}
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if !v.Complete() {
				continue
			}
			if err := s.signOne(ctx, d, v); err != nil {
				return fmt.Errorf("sign session %s: %w", v.Session.Id, err)
			}
			if s.signed == 1 {
				first = s.o.Now().Sub(s.o.Started)
			}
			s.p.progress("results", s.signed, total)
		}
	}
	s.p.say("Each reviewer signed in with a password and a one-time code, and gave the password again at each signature.")
	for _, d := range s.clinics {
		s.p.fact(fmt.Sprintf("%d results", len(d.results)), "signed by %s, %s", d.Reviewer.Name, d.Reviewer.Credential)
	}
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if !v.Complete() {
				s.p.item("Not signed: %s (%s). Session %s waits until it is completed or closed with a reason.", fullName(v.Client), v.Remark, v.Session.Id)
			}
		}
	}
	met := "met"
	if first > firstResultAim {
		met = "missed on this machine, now"
	}
	s.p.say("From the start of the program to the first signed result: %s (aim: under %s, %s).", seconds(first), seconds(firstResultAim), met)
	return nil
}

func (s *story) signOne(ctx context.Context, d *clinicDay, v *scenario.Visit) error {
	f := d.findings[v.Session.Id]
	in := &ponderalv1.SignResultRequest{SessionId: v.Session.Id, ResultId: s.day.NewID(), SessionRevision: f.GetSessionRevision(),
		Meaning: ponderalv1.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Decision: f.GetJob().GetOutcome(), Proof: d.proof()}
	got, err := caller.Do[ponderalv1.SignResultResponse](ctx, d.reviewer, "ResultService/SignResult", in)
	if err != nil {
		return err
	}
	r := got.GetResult()
	if r.GetId() != in.ResultId || r.GetBundle().GetJws() == "" || r.GetKeyId() == "" {
		return fmt.Errorf("result %s: no signature in the answer", in.ResultId)
	}
	d.results[v.Session.Id] = r
	s.signed++
	return nil
}
