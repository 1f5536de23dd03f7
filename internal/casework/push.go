package casework

import (
	"bytes"
	"context"
	"fmt"
	"strings"

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
	actor   record.Actor
	// keep says that a session whose id is stored with other content is kept as a conflict.
	keep bool
	// wrong is what the session breaks by itself.
	wrong []fault.Violation
}

// PushSession stores a session whole or not at all, and scores it. The same session again, even if it was corrected since, is answered
// with what stands; the same id with other content is a Conflict that names each field.
func (c *Casework) PushSession(ctx context.Context, p authn.Principal, s record.Session) (Pushed, error) {
	return c.push(ctx, p, s, false)
}

func (c *Casework) push(ctx context.Context, p authn.Principal, s record.Session, keep bool) (Pushed, error) {
	if err := need(p, record.RoleEvaluator, record.RoleStation); err != nil {
		return Pushed{}, err
	}
	clinic, err := ownClinic(p, s.ClinicID)
	if err != nil {
		return Pushed{}, err
	}
	s.ClinicID = clinic
	in, err := encodePush(plainSession(s))
	if err != nil {
		return Pushed{}, textFault(err)
	}
	in.actor, in.keep = p.Actor(), keep
	done, err := c.pushes.do(ctx, in, c.storePushes)
	if err != nil {
		return Pushed{Conflict: done.Conflict}, fmt.Errorf("push session: %w", err)
	}
	return done, nil
}

// plainSession is a session in the one form in which it is stored: a list of series even where there is none, and no measures where none was taken.
func plainSession(s record.Session) record.Session {
	if s.Series == nil {
		s.Series = []record.Series{}
	}
	if s.Body != nil && *s.Body == (record.BodyMeasures{}) {
		s.Body = nil
	}
	return s
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

// storePushes stores the sessions of a group, all of one clinic and each with an id of its own, in one transaction: each that may be stored
// gets its own entry, and what keeps another from being stored is that one's answer alone. An error concerns the whole group, of which
// nothing is then stored.
func (c *Casework) storePushes(ctx context.Context, group []*pushing) ([]pushAnswer, error) {
	keys := make([]store.PushKeys, len(group))
	for i, in := range group {
		keys[i] = in.keys
	}
	var answers []pushAnswer
	err := c.store.InClinic(ctx, group[0].session.ClinicID, func(tx *store.Tx) error {
		answers = make([]pushAnswer, len(group))
		known, err := tx.PushContexts(ctx, keys)
		if err != nil {
			return err
		}
		var drafts []auditlog.Draft
		var places []int
		for i, in := range group {
			a := &answers[i]
			if a.err = erasedGround(known[i]); a.err != nil {
				continue
			}
			// What is stored keeps to the rules of its day: sent again it is answered, whatever rules have come since.
			if known[i].Session != nil && (len(in.wrong) == 0 || sameAsFirst(in, known[i])) {
				a.pushed, a.err = already(ctx, tx, in, known[i])
				if in.keep && fault.Is(a.err, fault.Conflict) {
					kept, id, err := c.keepConflict(ctx, tx, in, known[i])
					if err != nil {
						return err
					}
					if a.pushed = (Pushed{Conflict: id}); kept != nil {
						drafts, places = append(drafts, *kept), append(places, -1)
					}
				}
				continue
			}
			var draft auditlog.Draft
			if draft, a.pushed, a.err = draftOf(in, known[i]); a.err == nil {
				drafts, places = append(drafts, draft), append(places, i)
			}
		}
		if len(drafts) == 0 {
			return nil
		}
		entries, err := c.log.CommitAll(ctx, tx, auditlog.Head{Size: known[0].HeadSize, Edge: known[0].HeadEdge}, drafts)
		if err != nil {
			return err
		}
		for i, entry := range entries {
			if places[i] < 0 {
				continue
			}
			p := &answers[places[i]].pushed
			p.Revision = revisionOf(1, entry)
			p.Finding.Revision = p.Revision
		}
		return nil
	})
	return answers, err
}

// draftOf scores a session that is not there yet, or says all that is wrong with it. The revisions are known once it is stored.
func draftOf(in *pushing, known store.PushContext) (auditlog.Draft, Pushed, error) {
	g, missing, err := groundOf(known, in.session)
	if err != nil {
		return auditlog.Draft{}, Pushed{}, err
	}
	wrong := append(in.wrong[:len(in.wrong):len(in.wrong)], missing...)
	who, err := evaluatorFit(known.Evaluator)
	if err != nil {
		return auditlog.Draft{}, Pushed{}, err
	}
	wrong = append(wrong, who...)
	who, err = overriderFit(in.session.Screening, known.Override, "session.screening")
	if err != nil {
		return auditlog.Draft{}, Pushed{}, err
	}
	wrong = append(wrong, who...)
	for i := range in.session.Series {
		at := fmt.Sprintf("session.series[%d]", i)
		wrong = append(wrong, record.CheckSeriesAgainst(in.session.Series[i], g.protocols, g.kits, at)...)
	}
	if err := fault.InvalidFields(wrong); err != nil {
		return auditlog.Draft{}, Pushed{}, err
	}
	finding, body, err := g.score(in.session, 1)
	if err != nil {
		return auditlog.Draft{}, Pushed{}, err
	}
	id := in.session.ID
	return auditlog.Draft{
		ClinicID: in.session.ClinicID, Action: record.ActionSessionPush, Actor: in.actor,
		Subjects: []string{subject(record.KindSession, id), subject(record.KindReferral, g.referral.ID), subject(record.KindClient, g.client.ID)},
		Sessions: []store.SessionRow{{ID: id, ReferralID: in.session.ReferralID, Revision: 1, Body: in.header}},
		Trials:   in.trials,
		Docs:     []store.DocRow{{Kind: record.KindFinding, ID: id, Revision: 1, Body: body}},
		Last:     true,
	}, Pushed{Finding: record.Stored[record.Finding]{Value: finding}}, nil
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

// overriderFit finds what keeps a member from answering for an override; row is the member's, nil when there is none. at is the screening's path.
func overriderFit(s record.Screening, row *store.Row, at string) ([]fault.Violation, error) {
	if s.OverrideBy == "" {
		return nil, nil
	}
	field := at + ".override_by"
	if row == nil {
		return []fault.Violation{{Field: field, Rule: "member.exists", Text: "who answers for an override is a member of the clinic"}}, nil
	}
	m, err := read[record.Member](record.KindMember, row.Body)
	if err != nil {
		return nil, err
	}
	var found []fault.Violation
	if m.Left {
		found = append(found, fault.Violation{Field: field, Rule: "member.present", Text: "the member has not left the clinic"})
	}
	if strings.TrimSpace(m.Credential) == "" {
		found = append(found, fault.Violation{Field: field, Rule: "member.credential", Text: "the member has a credential"})
	}
	return found, nil
}
