// Package demo plays a working day of an invented network through the service's public API, and checks every claim that it makes: a
// step whose claim does not hold ends the day with an error.
//
// It reads and writes nothing but the API, the files of its own folder and its output. What a superuser does behind the service's back, and
// the audit check, are handed in.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
	"ponderal.example/internal/seal"
)

// Options for Run.
type Options struct {
	// GRPCAddress is HOST:PORT in plaintext on this machine, RESTBase http://HOST:PORT.
	GRPCAddress, RESTBase string
	// AdminToken of a network administrator.
	AdminToken string
	// LogName is the first part of the audit logs' origins.
	LogName string
	Seed    uint64
	Now     func() time.Time
	// Started is when the program was started.
	Started time.Time
	// Out gets the story; Terminal allows a moving progress line, Bold bold headings.
	Out            io.Writer
	Terminal, Bold bool
	// SaveDir is an existing folder for what the payer keeps: the key set and the results.
	SaveDir string
	// Command is how the program is called, for the lines to try.
	Command string
	// Alter changes a stored trial and an audit entry behind the service's back.
	Alter func(ctx context.Context, at Target) error
	// Audit runs the audit check over the whole database.
	Audit func(ctx context.Context) (AuditReport, error)
}

// Target is what is altered behind the service's back.
type Target struct {
	ClinicID, SessionID string
	Series, Trial       uint32
	// Entry is the number of the audit entry.
	Entry uint64
}

// AuditReport is what the audit check says. Problems is empty when all is as it was written.
type AuditReport struct {
	Entries, Records int64
	Problems         []AuditProblem
}

// AuditProblem is one row that is not as it was written. Table is "audit entry", "trial" and so on; Key names the row in it (a trial's begins
// with SESSION/SERIES/TRIAL); Entry is the audit entry concerned.
type AuditProblem struct {
	ClinicID   string
	Table, Key string
	Entry      int64
	Says       string
}

// story is the state of the day.
type story struct {
	o       Options
	p       *page
	service *caller.Service
	day     *scenario.Day
	clinics []*clinicDay
	payer   caller.Caller
	tokens  []tokenLine
	ring    seal.Ring
	// counts of sessions pushed and of results signed, and of files saved.
	pushed, signed int
	saved          map[string]string
	fixed          correction
}

// clinicDay is one clinic with its callers and what came of its visits.
type clinicDay struct {
	*scenario.Clinic
	way      caller.Way
	admin    caller.Caller
	reviewer caller.Caller
	station  caller.Caller
	// stationToken is the station's, password the reviewer's.
	stationToken string
	password     string
	digests      map[string]string
	findings     map[string]*ponderalv1.Finding
	results      map[string]*ponderalv1.Result
}

// tokenLine is a token to try.
type tokenLine struct{ variable, holder, secret string }

// Run plays the day. The error names the first step whose claim did not hold.
func Run(ctx context.Context, o Options) error {
	if o.Alter == nil || o.Audit == nil {
		return errors.New("demo: Alter and Audit are required")
	}
	service, err := caller.Dial(o.GRPCAddress, o.RESTBase)
	if err != nil {
		return err
	}
	defer service.Close()
	s := &story{o: o, service: service, p: &page{w: o.Out, terminal: o.Terminal, bold: o.Bold, now: o.Now}, saved: map[string]string{}}
	s.day = scenario.New(o.Seed, o.Now().AddDate(0, 0, -1))
	steps := []struct {
		title string
		play  func(context.Context) error
	}{
		{"The network is set up", s.setUp},
		{"The clinics push the day's sessions", s.push},
		{"A push repeated, a push in conflict, a push that breaks rules", s.badPushes},
		{"Scores", s.scores},
		{"The reviewers sign", s.sign},
		{"The payer pulls its feed and verifies offline", s.pull},
		{"A trial is corrected; the result is superseded", s.correct},
		{"Who changed this score?", s.history},
		{"A superuser alters two rows behind the service's back", s.tamper},
	}
	for i, step := range steps {
		s.p.heading(step.title)
		if err := step.play(ctx); err != nil {
			s.p.blank()
			s.p.say("This step FAILED: %v", err)
			return fmt.Errorf("step %d (%s): %w", i+1, step.title, err)
		}
	}
	s.tryIt()
	return nil
}
