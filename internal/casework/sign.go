package casework

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// cautions stand in every result.
func cautions() []string {
	return []string{
		"The tests were submaximal: a capacity is the highest load that was accepted under the protocol's limits, not the most that the person could ever handle.",
		"The findings hold for the day of the session and for the protocols used; pain, fatigue, medication and training change them.",
		"Inconsistency has many causes, among them pain, fear, fatigue and misunderstanding; no number here says whether a person was honest.",
		"Strength levels and task matches are arithmetic on what was measured; paces and tasks that were not tested are not covered.",
		"The findings support and do not replace the clinical judgement of a licensed professional; local rules and licensed practice prevail.",
	}
}

// SignResult signs the newest finding of a session; in.Supersedes names the result that it replaces, if any. The same request again is
// answered with what is stored.
func (c *Casework) SignResult(ctx context.Context, p authn.Principal, in Signing) (record.Stored[ResultView], error) {
	var none record.Stored[ResultView]
	clinic, err := clinicOfSigner(p)
	if err != nil {
		return none, err
	}
	if in.Meaning != record.MeaningReviewed && in.Meaning != record.MeaningTestedAndReviewed {
		return none, invalid("meaning", "signature.meaning", "a signature has a meaning")
	}
	payer, sessionID, there, err := c.beforeSigning(ctx, p, clinic, in)
	if err != nil {
		return none, fmt.Errorf("sign result: %w", err)
	}
	if there {
		return c.readResult(ctx, clinic, in.ResultID)
	}
	if err := c.checkSigner(ctx, p, in.Proof, in.ResultID); err != nil {
		return none, fmt.Errorf("sign result: %w", err)
	}
	in.SessionID = sessionID
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		return c.signUnder(ctx, tx, p, in, payer)
	})
	if err != nil {
		return none, fmt.Errorf("sign result: %w", err)
	}
	return c.readResult(ctx, clinic, in.ResultID)
}

// clinicOfSigner is the clinic of a reviewer who may sign in it: a member, with a credential of their own.
func clinicOfSigner(p authn.Principal) (string, error) {
	if err := need(p, record.RoleReviewer); err != nil {
		return "", err
	}
	clinic, err := ownClinic(p, "")
	if err == nil && p.MemberID == "" {
		err = fault.New(fault.Denied, "MEMBER_NEEDED", "only a member of the clinic signs, with a credential of their own")
	}
	return clinic, err
}

// invalid is an Invalid fault of one field.
func invalid(field, rule, text string) error {
	return fault.InvalidFields([]fault.Violation{{Field: field, Rule: rule, Text: text}})
}

// beforeSigning reads the payer before the transaction, because it is the network's record; and the session, which for a superseding result is
// that of the result to be replaced. there says that this very request was carried out before: it is answered without the signer's proof, whose
// one-time code a repetition could not give again.
func (c *Casework) beforeSigning(ctx context.Context, p authn.Principal, clinic string, in Signing) (_ record.Payer, sessionID string, there bool, err error) {
	var referral record.Referral
	sessionID = in.SessionID
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		if in.Supersedes != "" {
			old, err := tx.Result(ctx, in.Supersedes)
			if err != nil {
				return err
			}
			if in.SessionID != "" && in.SessionID != old.SessionID {
				return invalid("session_id", "supersede.session", "a result is replaced by one of the same session")
			}
			sessionID = old.SessionID
		}
		asked := in
		asked.SessionID = sessionID
		if there, err = c.signedAlready(ctx, tx, p, asked); err != nil || there {
			return err
		}
		row, err := tx.Newest(ctx, record.KindSession, sessionID)
		if err != nil {
			return err
		}
		session, err := read[record.Session](record.KindSession, row.Body)
		if err != nil {
			return err
		}
		if row, err = tx.Newest(ctx, record.KindReferral, session.ReferralID); err != nil {
			return err
		}
		referral, err = read[record.Referral](record.KindReferral, row.Body)
		return err
	})
	if err != nil || there {
		return record.Payer{}, "", there, err
	}
	payer, err := c.payer(ctx, referral.PayerID)
	return payer, sessionID, false, err
}

// payer reads the newest revision of a payer.
func (c *Casework) payer(ctx context.Context, id string) (record.Payer, error) {
	var payer record.Payer
	err := c.store.ReadClinic(ctx, record.NetworkClinic, func(tx *store.Tx) error {
		row, err := tx.Newest(ctx, record.KindPayer, id)
		if err != nil {
			return err
		}
		payer, err = read[record.Payer](record.KindPayer, row.Body)
		return err
	})
	return payer, err
}

// signUnder is the one transaction of a signature.
func (c *Casework) signUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in Signing, payer record.Payer) error {
	s, err := standingOf(ctx, tx, in.SessionID, "")
	if err != nil {
		return err
	}
	there, err := c.signedAlready(ctx, tx, p, in)
	if err != nil || there {
		return err
	}
	if s.ground.referral.PayerID != payer.ID {
		return fault.New(fault.Unavailable, "REFERRAL_CHANGED", "the referral's payer was changed at the same time; try again")
	}
	if err := place(ctx, tx, in, s.row.Revision); err != nil {
		return err
	}
	signer, err := signerOf(ctx, tx, p.MemberID)
	if err != nil {
		return err
	}
	doc, err := c.document(ctx, tx, in, &s, signer)
	if err != nil {
		return err
	}
	doc.PayerName = payer.Name
	if err := decided(in, doc); err != nil {
		return err
	}
	signed, err := c.signDocument(ctx, doc)
	if err != nil {
		return err
	}
	return c.commitResult(ctx, tx, p, in, &s, signed, doc.CountersignatureNeeded)
}

// commitResult stores a signed result. One that awaits a countersignature goes into no feed yet.
func (c *Casework) commitResult(ctx context.Context, tx *store.Tx, p authn.Principal, in Signing, s *standing, signed store.NewResult, awaits bool) error {
	clinic := s.session.ClinicID
	signed.ID, signed.SessionID, signed.SessionRevision, signed.Supersedes = in.ResultID, in.SessionID, in.SessionRevision, in.Supersedes
	draft := auditlog.Draft{
		ClinicID: clinic, Action: record.ActionResultSign, Actor: p.Actor(), Reason: in.SupersedeReason,
		Subjects: []string{subject(record.KindResult, in.ResultID), subject(record.KindSession, in.SessionID),
			subject(record.KindReferral, s.ground.referral.ID), subject(record.KindClient, s.ground.client.ID)},
		Results: []store.NewResult{signed},
		Last:    true,
	}
	draft.Actor.Role = record.RoleReviewer
	if in.Supersedes != "" {
		draft.Action = record.ActionResultSupersede
		draft.Subjects = append(draft.Subjects, subject(record.KindResult, in.Supersedes))
	}
	payer := s.ground.referral.PayerID
	line := []string{in.ResultID}
	if in.Supersedes != "" {
		before, err := lineOf(ctx, tx, in.SessionID, in.Supersedes)
		if err != nil {
			return err
		}
		line = append(line, before...)
	}
	released, err := c.released(ctx, tx, s.ground.referral.ID, payer, candidate{line: line})
	if err != nil {
		return err
	}
	if released && !awaits {
		if draft.Feed, err = feedRows(ctx, tx, clinic, payer, in.ResultID); err != nil {
			return err
		}
	}
	_, err = c.log.Commit(ctx, tx, s.head, draft, true)
	return err
}

// signedAlready reports whether this very request was carried out before. A result of that id that says something else is a conflict.
func (c *Casework) signedAlready(ctx context.Context, tx *store.Tx, p authn.Principal, in Signing) (bool, error) {
	row, err := tx.Result(ctx, in.ResultID)
	if fault.Is(err, fault.NotFound) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	doc, _, err := c.open(row)
	if err != nil {
		return false, err
	}
	var fields []fault.Violation
	differ := func(same bool, field string) {
		if !same {
			fields = append(fields, fault.Violation{Field: field, Rule: "record.differs", Text: "differs from what is signed under this result id"})
		}
	}
	differ(doc.Session.ID == in.SessionID, "session_id")
	differ(doc.SessionRevision == in.SessionRevision, "session_revision")
	differ(doc.Signature.MemberID == p.MemberID, "signer")
	differ(doc.Signature.Meaning == in.Meaning, "meaning")
	differ(doc.Decision == in.Decision, "decision")
	differ(doc.Comment == in.Comment, "comment")
	differ(doc.Supersedes == in.Supersedes, "superseded_id")
	differ(doc.SupersedeReason == in.SupersedeReason, "reason")
	if len(fields) > 0 {
		return false, &fault.Error{Kind: fault.Conflict, Reason: "RESULT_CONFLICT", Violations: fields,
			Text: "a result with this id is signed with other content; nothing was stored"}
	}
	return true, nil
}

// place checks that the result may stand where the request wants it: at the newest revision, first of its session or in place of the one that stands.
func place(ctx context.Context, tx *store.Tx, in Signing, newest int) error {
	results, err := tx.ResultsOfSession(ctx, in.SessionID)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(results, func(r store.ResultRow) bool { return r.ID == in.Supersedes })
	switch {
	case in.SessionRevision != newest:
		return revisionConflict(newest, []fault.Violation{{Field: "session_revision", Rule: "revision.current", Text: "the newest revision is signed"}})
	case in.Supersedes == "" && len(results) > 0:
		return fault.New(fault.Conflict, "RESULT_EXISTS", "the session has a signed result; supersede it instead")
	case in.Supersedes == "":
		return nil
	case at < 0:
		return fault.New(fault.NotFound, "NOT_FOUND", "there is no such result")
	case results[at].SupersededBy != "":
		return fault.New(fault.Conflict, "RESULT_SUPERSEDED", "the result has been superseded already; supersede the one that stands")
	case strings.TrimSpace(in.SupersedeReason) == "":
		return invalid("reason", "supersede.reason", "replacing a result needs a reason")
	}
	return nil
}

// signerOf is the member who signs, if they may.
func signerOf(ctx context.Context, tx *store.Tx, memberID string) (record.Member, error) {
	row, err := newestOrNil(ctx, tx, record.KindMember, memberID)
	if err != nil {
		return record.Member{}, err
	}
	denied := fault.New(fault.Denied, "SIGNER", "the signer is a member of the clinic with the role of reviewer who has not left")
	if row == nil {
		return record.Member{}, denied
	}
	m, err := read[record.Member](record.KindMember, row.Body)
	if err != nil {
		return record.Member{}, err
	}
	if m.Left || !hasRole(m, record.RoleReviewer) {
		return record.Member{}, denied
	}
	return m, nil
}

func hasRole(m record.Member, r record.Role) bool { return slices.Contains(m.Roles, r) }

// decided checks the decision against the finding and the meaning against the evaluator, all at once.
func decided(in Signing, doc record.ResultDocument) error {
	var wrong []fault.Violation
	demand := func(ok bool, field, rule, text string) {
		if !ok {
			wrong = append(wrong, fault.Violation{Field: field, Rule: rule, Text: text})
		}
	}
	f := doc.Finding
	demand(in.Meaning != record.MeaningTestedAndReviewed || doc.Session.EvaluatorID == doc.Signature.MemberID,
		"meaning", "signature.tested", "only the session's evaluator signs as having tested")
	if f.Job == nil {
		demand(in.Decision == "", "decision", "decision.without_job", "there is no target job to decide on")
		return fault.InvalidFields(wrong)
	}
	demand(in.Decision != "", "decision", "decision.needed", "a target job needs a decision")
	demand(in.Decision == "" || f.Complete || in.Decision == record.CannotBeDetermined,
		"decision", "decision.incomplete", "on a session that is not complete the decision is that it cannot be determined")
	demand(in.Decision == "" || in.Decision == f.Job.Outcome || strings.TrimSpace(in.Comment) != "",
		"comment", "decision.comment", "a decision other than the engine's recommendation needs a comment")
	return fault.InvalidFields(wrong)
}
