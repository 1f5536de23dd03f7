package demo

import (
	"context"
	"errors"
	"fmt"
	"strings"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// tamper has a superuser alter a trial and an entry with every trigger off, and wants the audit check to name both and nothing else.
func (s *story) tamper(ctx context.Context) error {
	clean, err := s.o.Audit(ctx)
	if err != nil {
		return fmt.Errorf("audit check: %w", err)
	}
	if len(clean.Problems) != 0 {
		return fmt.Errorf("the audit check finds %d problems before anything was altered; the first: %s", len(clean.Problems), clean.Problems[0].Says)
	}
	s.p.say("The audit check reads the whole database: %d entries and %d records, all as they were written.", clean.Entries, clean.Records)
	at, err := s.target(ctx)
	if err != nil {
		return err
	}
	if err := s.o.Alter(ctx, at); err != nil {
		return fmt.Errorf("alter rows as the superuser: %w", err)
	}
	trial := trialID(at.SessionID, at.Series, at.Trial)
	s.p.say("A superuser of the database switches the triggers off and alters trial %s (ten repetitions more) and, in audit entry %d, the role of who acted.", trial, at.Entry)
	report, err := s.o.Audit(ctx)
	if err != nil {
		return fmt.Errorf("audit check: %w", err)
	}
	s.p.say("The audit check again (exit status 1 of `%s audit check`):", s.o.Command)
	trialNamed, entryNamed := false, false
	for _, problem := range report.Problems {
		s.p.item("%s", problem.Says)
		inClinic := problem.ClinicID == at.ClinicID
		trialNamed = trialNamed || inClinic && problem.Table == "trial" && strings.HasPrefix(problem.Key, trial+" ")
		entryNamed = entryNamed || inClinic && problem.Table == "audit entry" && problem.Entry == int64(at.Entry)
	}
	if !trialNamed || !entryNamed {
		return fmt.Errorf("the audit check names the trial: %v, the entry: %v; want both", trialNamed, entryNamed)
	}
	s.p.say("Both are named. From here on this demonstration database is tampered with, and stays so; results that payers hold verify as before.")
	return nil
}

// target picks a trial of the second clinic and an entry of the same log that wrote something else.
func (s *story) target(ctx context.Context) (Target, error) {
	d := s.clinics[1]
	v := d.Visits[4]
	got, err := caller.Do[ponderalv1.ListEntriesResponse](ctx, d.admin, "AuditService/ListEntries",
		&ponderalv1.ListEntriesRequest{Page: &ponderalv1.Page{Size: 5}, Action: "kit.put"})
	if err != nil {
		return Target{}, err
	}
	if len(got.GetEntries()) == 0 {
		return Target{}, errors.New("the audit log lists no entry of a kit")
	}
	return Target{ClinicID: d.Clinic.Clinic.Id, SessionID: v.Session.Id, Series: 1, Trial: 2, Entry: got.GetEntries()[0].GetNumber()}, nil
}
