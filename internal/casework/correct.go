package casework

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// CorrectTrial stores a corrected trial and the new finding. What was measured stays as the earlier revision. The same correction again, while
// it is the newest, is answered with what stands.
func (c *Casework) CorrectTrial(ctx context.Context, p authn.Principal, in Correction) (Corrected, error) {
	if err := need(p, record.RoleReviewer); err != nil {
		return Corrected{}, err
	}
	clinic, err := ownClinic(p, "")
	if err != nil {
		return Corrected{}, err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return Corrected{}, fault.InvalidFields([]fault.Violation{{Field: "reason", Rule: "correction.reason", Text: "a correction says why"}})
	}
	body, err := record.CanonicalTrial(in.Trial)
	if err != nil {
		return Corrected{}, textFault(err)
	}
	var done Corrected
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		done, err = c.correctUnder(ctx, tx, p, in, body)
		return err
	})
	if err != nil {
		return Corrected{}, fmt.Errorf("correct trial: %w", err)
	}
	return done, nil
}

func (c *Casework) correctUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in Correction, body []byte) (Corrected, error) {
	s, err := standingOf(ctx, tx, in.SessionID, "")
	if err != nil {
		return Corrected{}, err
	}
	if s.row.Revision == in.Expected+1 && s.wrote(in, body) {
		done, err := s.stands(ctx, tx, p, record.ActionTrialCorrect, in.Reason, trialSubject(in.SessionID, in.Series, in.Trial.Number))
		if err != nil {
			return Corrected{}, err
		}
		if done != nil {
			return *done, nil
		}
	}
	if s.row.Revision != in.Expected {
		return Corrected{}, notCurrent(s.row.Revision)
	}
	if err := s.replace(in, body); err != nil {
		return Corrected{}, err
	}
	return c.scoreAgain(ctx, tx, &s, auditlog.Draft{
		ClinicID: s.session.ClinicID, Action: record.ActionTrialCorrect, Actor: p.Actor(), Reason: in.Reason,
		Subjects: []string{subject(record.KindSession, in.SessionID), trialSubject(in.SessionID, in.Series, in.Trial.Number),
			subject(record.KindReferral, s.ground.referral.ID), subject(record.KindClient, s.ground.client.ID)},
		Trials: []store.NewTrial{{SessionID: in.SessionID, Series: in.Series, Number: in.Trial.Number, Revision: s.row.Revision + 1, Body: body}},
	}, false)
}

// wrote reports whether the newest revision wrote that very trial.
func (s *standing) wrote(in Correction, body []byte) bool {
	return slices.ContainsFunc(s.trials, func(t store.TrialRow) bool {
		return t.Series == in.Series && t.Number == in.Trial.Number && t.Revision == s.row.Revision && bytes.Equal(t.Body, body)
	})
}

// replace puts the corrected trial in its place, if it is there, differs, and leaves the session sound.
func (s *standing) replace(in Correction, body []byte) error {
	i := slices.IndexFunc(s.session.Series, func(x record.Series) bool { return x.Number == in.Series })
	if i < 0 {
		return fault.InvalidFields([]fault.Violation{{Field: "series_number", Rule: "series.exists", Text: "the series is one of the session's"}})
	}
	series := &s.session.Series[i]
	j := slices.IndexFunc(series.Trials, func(x record.Trial) bool { return x.Number == in.Trial.Number })
	if j < 0 {
		return fault.InvalidFields([]fault.Violation{{Field: "trial.number", Rule: "trial.exists", Text: "the trial is one of the series'"}})
	}
	was := slices.IndexFunc(s.trials, func(r store.TrialRow) bool { return r.Series == in.Series && r.Number == in.Trial.Number })
	if was >= 0 && bytes.Equal(s.trials[was].Body, body) {
		return fault.InvalidFields([]fault.Violation{{Field: "trial", Rule: "correction.differs", Text: "the corrected trial differs from the stored one"}})
	}
	before := record.CheckSession(s.session, record.KindSession)
	series.Trials[j] = in.Trial
	wrong := newlyWrong(before, s.session, "trial", spot{fmt.Sprintf("session.series[%d].trials[%d]", i, j), "trial"})
	alone := *series
	alone.Trials = []record.Trial{in.Trial}
	for _, v := range record.CheckSeriesAgainst(alone, s.ground.protocols, s.ground.kits, "series") {
		path, inside := requestPath(v.Field, spot{"series.trials[0]", "trial"})
		if v.Field = "trial"; inside {
			v.Field = path
		}
		wrong = append(wrong, v)
	}
	return fault.InvalidFields(wrong)
}

// trialSubject names a trial in an entry: `trial:SESSION/SERIES/TRIAL`.
func trialSubject(sessionID string, series, trial int) string {
	return subject(record.KindTrial, fmt.Sprintf("%s/%d/%d", sessionID, series, trial))
}

// computedDifferences is what changed from one finding to the next. That they are of different revisions goes without saying.
func computedDifferences(was, now []byte) ([]record.Difference, error) {
	return differences(was, now, func(path string) bool { return path != "session_revision" })
}

func differences(was, now []byte, keep func(path string) bool) ([]record.Difference, error) {
	found, err := canon.Diff(was, now)
	if err != nil {
		return nil, fmt.Errorf("compare revisions: %w", err)
	}
	var out []record.Difference
	for _, d := range found {
		if keep(d.Path) {
			out = append(out, record.Difference{Path: d.Path, Was: d.Was, Now: d.Now})
		}
	}
	return out, nil
}
