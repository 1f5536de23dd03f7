package casework

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// conflictID is the id of a conflict: the same content for the same session is the same conflict, however often it is sent. It is a UUID of version
// 8 (RFC 9562) made of a SHA-256.
func conflictID(s record.Session) (string, error) {
	body, err := record.CanonicalSession(s)
	if err != nil {
		return "", textFault(err)
	}
	sum := canon.Digest([]byte(s.ID), body)
	id := uuid.UUID(sum[:16])
	id[6] = id[6]&0x0f | 0x80
	id[8] = id[8]&0x3f | 0x80
	return id.String(), nil
}

// keepConflict makes the draft that keeps a session whose id is stored with other content; nil where that very conflict is kept already.
func (c *Casework) keepConflict(ctx context.Context, tx *store.Tx, in *pushing, known store.PushContext) (*auditlog.Draft, string, error) {
	id, err := conflictID(in.session)
	if err != nil {
		return nil, "", err
	}
	was, err := newestOrNil(ctx, tx, record.KindSessionConflict, id)
	if err != nil || was != nil {
		return nil, id, err
	}
	body, err := canon.Marshal(record.SessionConflict{
		ID: id, ClinicID: in.session.ClinicID, SessionID: in.session.ID, Incoming: in.session, StoredRevision: known.Session.Revision,
		SentBy: in.actor, At: record.TimeOf(c.now()),
	})
	if err != nil {
		return nil, "", textFault(err)
	}
	draft := auditlog.Draft{
		ClinicID: in.session.ClinicID, Action: record.ActionSessionConflict, Actor: in.actor,
		Subjects: []string{subject(record.KindSessionConflict, id), subject(record.KindSession, in.session.ID)},
		Docs:     []store.DocRow{{Kind: record.KindSessionConflict, ID: id, Revision: 1, Body: body}},
		Last:     true,
	}
	return &draft, id, nil
}

// resolution is what a resolved conflict is made of.
type resolution struct {
	conflict record.SessionConflict
	row      store.Row
}

// decided stores the decision beside the conflict.
func (r resolution) decided(in Resolving) (store.DocRow, record.SessionConflict, error) {
	v := r.conflict
	v.Decision, v.Reason = in.Decision, in.Reason
	body, err := canon.Marshal(v)
	if err != nil {
		return store.DocRow{}, v, textFault(err)
	}
	return store.DocRow{Kind: record.KindSessionConflict, ID: v.ID, Revision: r.row.Revision + 1, Body: body}, v, nil
}

// take puts what came in place of what stands, and returns the trials that differ, as rows of the next revision.
func (s *standing) take(incoming record.Session) ([]store.NewTrial, error) {
	if err := fault.InvalidFields(s.unfit(incoming)); err != nil {
		return nil, err
	}
	header, err := record.CanonicalSession(headerOf(incoming))
	if err != nil {
		return nil, textFault(err)
	}
	var changed []store.NewTrial
	for _, series := range incoming.Series {
		for _, t := range series.Trials {
			body, err := record.CanonicalTrial(t)
			if err != nil {
				return nil, textFault(err)
			}
			at := slices.IndexFunc(s.trials, func(r store.TrialRow) bool { return r.Series == series.Number && r.Number == t.Number })
			if at < 0 || !bytes.Equal(s.trials[at].Body, body) {
				changed = append(changed, store.NewTrial{SessionID: incoming.ID, Series: series.Number, Number: t.Number,
					Revision: s.row.Revision + 1, Body: body})
			}
		}
	}
	s.session, s.row.Body = incoming, header
	return changed, nil
}

// unfit finds what keeps what came from being the session's next revision: it breaks a rule, it stands on other records, or it lacks a trial that is
// stored, for nothing that was measured is taken away.
func (s *standing) unfit(incoming record.Session) []fault.Violation {
	wrong := record.CheckSession(incoming, "incoming")
	refuse := func(ok bool, field, rule, text string) {
		if !ok {
			wrong = append(wrong, fault.Violation{Field: "incoming." + field, Rule: rule, Text: text})
		}
	}
	refuse(incoming.ReferralID == s.session.ReferralID, "referral_id", "conflict.ground", "what came is of the stored session's referral; push it under an id of its own")
	refuse(incoming.EvaluatorID == s.session.EvaluatorID, "evaluator_id", "conflict.ground", "what came has the stored session's evaluator; push it under an id of its own")
	for i, series := range incoming.Series {
		wrong = append(wrong, record.CheckSeriesAgainst(series, s.ground.protocols, s.ground.kits, fmt.Sprintf("incoming.series[%d]", i))...)
	}
	for _, t := range s.trials {
		refuse(trialIn(incoming, t.Series, t.Number) != nil, "series", "conflict.trial_missing",
			fmt.Sprintf("series %d trial %d is stored and does not stand in what came; correct single trials instead", t.Series, t.Number))
	}
	return wrong
}
