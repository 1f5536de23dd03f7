package casework

import (
	"bytes"
	"context"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// pushing is a session about to be stored, in the form in which it is.
type pushing struct {
	session record.Session
	header  []byte
	trials  []store.NewTrial
	keys    store.PushKeys
	// wrong is what the session breaks by itself.
	wrong []fault.Violation
}

// PushSession stores a session whole or not at all, and scores it. The same session again, even if it was corrected since, is answered
// with what stands; the same id with other content is a Conflict that names each field.
func (c *Casework) PushSession(ctx context.Context, p authn.Principal, s record.Session) (Pushed, error) {
	if err := need(p, record.RoleEvaluator, record.RoleStation); err != nil {
		return Pushed{}, err
	}
	clinic, err := ownClinic(p, s.ClinicID)
	if err != nil {
		return Pushed{}, err
	}
	s.ClinicID = clinic
	in, err := encodePush(s)
	if err != nil {
		return Pushed{}, textFault(err)
	}
	var done Pushed
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		known, err := tx.PushContext(ctx, in.keys)
		if err != nil {
			return err
		}
		if known.Session != nil && len(in.wrong) == 0 {
			done, err = already(ctx, tx, in, known)
			return err
		}
		done, err = c.pushNew(ctx, tx, p, in, known)
		return err
	})
	if err != nil {
		return Pushed{}, fmt.Errorf("push session: %w", err)
	}
	return done, nil
}

func encodePush(s record.Session) (*pushing, error) {
	in := &pushing{session: s, keys: keysOf(s), wrong: record.CheckSession(s, record.KindSession)}
	var err error
	if in.header, err = record.CanonicalSession(headerOf(s)); err != nil {
		return nil, err
	}
	n := 0
	for i := range s.Series {
		n += len(s.Series[i].Trials)
	}
	in.trials = make([]store.NewTrial, 0, n)
	for i := range s.Series {
		for j := range s.Series[i].Trials {
			t := &s.Series[i].Trials[j]
			body, err := record.CanonicalTrial(*t)
			if err != nil {
				return nil, err
			}
			in.trials = append(in.trials, store.NewTrial{SessionID: s.ID, Series: s.Series[i].Number, Number: t.Number, Revision: 1, Body: body})
		}
	}
	return in, nil
}

// already answers a push of an id that is stored.
func already(ctx context.Context, tx *store.Tx, in *pushing, known store.PushContext) (Pushed, error) {
	if !sameAsFirst(in, known) {
		return Pushed{}, sessionConflict(in, known)
	}
	row, err := tx.At(ctx, record.KindFinding, in.session.ID, known.Session.Revision)
	if err != nil {
		return Pushed{}, err
	}
	finding, err := storedOf[record.Finding](record.KindFinding, row)
	return Pushed{Already: true, Revision: rowRevision(*known.Session), Finding: finding}, err
}

// sameAsFirst reports whether the push is what was stored as revision 1.
func sameAsFirst(in *pushing, known store.PushContext) bool {
	if known.First == nil || !bytes.Equal(known.First.Body, in.header) || len(known.Trials) != len(in.trials) {
		return false
	}
	for i, t := range in.trials {
		was := known.Trials[i]
		if was.Series != t.Series || was.Number != t.Number || !bytes.Equal(was.Body, t.Body) {
			return false
		}
	}
	return true
}

func sessionConflict(in *pushing, known store.PushContext) error {
	if known.First == nil {
		return fault.New(fault.Internal, "STORED_RECORD", "a stored session has no first revision")
	}
	first, err := assemble(known.First.Body, known.Trials)
	if err != nil {
		return err
	}
	was, err := record.CanonicalSession(first)
	if err != nil {
		return fmt.Errorf("compare with what is stored: %w", err)
	}
	sent, err := record.CanonicalSession(in.session)
	if err != nil {
		return textFault(err)
	}
	fields, err := differing(record.KindSession, was, sent, 1)
	if err != nil {
		return err
	}
	return &fault.Error{Kind: fault.Conflict, Reason: "SESSION_CONFLICT", Violations: fields,
		Text: "a session with this id is stored with other content; nothing was stored, and what is stored stands"}
}

// pushNew stores a session that is not there yet, or says all that is wrong with it.
func (c *Casework) pushNew(ctx context.Context, tx *store.Tx, p authn.Principal, in *pushing, known store.PushContext) (Pushed, error) {
	g, missing, err := groundOf(known, in.session)
	if err != nil {
		return Pushed{}, err
	}
	wrong := append(in.wrong[:len(in.wrong):len(in.wrong)], missing...)
	who, err := evaluatorFit(known.Evaluator)
	if err != nil {
		return Pushed{}, err
	}
	wrong = append(wrong, who...)
	for i := range in.session.Series {
		at := fmt.Sprintf("session.series[%d]", i)
		wrong = append(wrong, record.CheckSeriesAgainst(in.session.Series[i], g.protocols, g.kits, at)...)
	}
	if err := fault.InvalidFields(wrong); err != nil {
		return Pushed{}, err
	}
	finding, body, err := g.score(in.session, 1)
	if err != nil {
		return Pushed{}, err
	}
	id := in.session.ID
	entry, err := c.log.Commit(ctx, tx, auditlog.Head{Size: known.HeadSize, Edge: known.HeadEdge}, auditlog.Draft{
		ClinicID: in.session.ClinicID, Action: record.ActionSessionPush, Actor: p.Actor(),
		Subjects: []string{subject(record.KindSession, id), subject(record.KindReferral, g.referral.ID), subject(record.KindClient, g.client.ID)},
		Sessions: []store.SessionRow{{ID: id, ReferralID: in.session.ReferralID, Revision: 1, Body: in.header}},
		Trials:   in.trials,
		Docs:     []store.DocRow{{Kind: record.KindFinding, ID: id, Revision: 1, Body: body}},
		Last:     true,
	}, false)
	if err != nil {
		return Pushed{}, err
	}
	revision := revisionOf(1, entry)
	return Pushed{Revision: revision, Finding: record.Stored[record.Finding]{Value: finding, Revision: revision}}, nil
}

// evaluatorFit finds what keeps a member from being the session's evaluator.
func evaluatorFit(row *store.Row) ([]fault.Violation, error) {
	const field = "session.evaluator_id"
	if row == nil {
		return []fault.Violation{{Field: field, Rule: "member.exists", Text: "the evaluator is a member of the clinic"}}, nil
	}
	m, err := read[record.Member](record.KindMember, row.Body)
	if err != nil {
		return nil, err
	}
	var found []fault.Violation
	if !hasRole(m, record.RoleEvaluator) {
		found = append(found, fault.Violation{Field: field, Rule: "member.evaluator", Text: "the member has the role of evaluator"})
	}
	if m.Left {
		found = append(found, fault.Violation{Field: field, Rule: "member.present", Text: "the member has not left the clinic"})
	}
	return found, nil
}
