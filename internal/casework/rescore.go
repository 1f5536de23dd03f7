package casework

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// Rescoring asks that a session be scored again. Expected is the session's revision that the reviewer looked at.
type Rescoring struct {
	SessionID string
	Expected  int
	Reason    string
}

// RescoreSession scores the newest revision again on the records as they are now. The new revision has the same header and trials; only
// the finding is another. A finding that would be the same is refused (Precondition, FINDING_UNCHANGED).
func (c *Casework) RescoreSession(ctx context.Context, p authn.Principal, in Rescoring) (Corrected, error) {
	if err := need(p, record.RoleReviewer); err != nil {
		return Corrected{}, err
	}
	clinic, err := ownClinic(p, "")
	if err != nil {
		return Corrected{}, err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return Corrected{}, fault.InvalidFields([]fault.Violation{{Field: "reason", Rule: "rescore.reason", Text: "a new score says why"}})
	}
	var done Corrected
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		done, err = c.rescoreUnder(ctx, tx, p, in)
		return err
	})
	if err != nil {
		return Corrected{}, fmt.Errorf("rescore session: %w", err)
	}
	return done, nil
}

func (c *Casework) rescoreUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in Rescoring) (Corrected, error) {
	s, err := standingOf(ctx, tx, in.SessionID, "")
	if err != nil {
		return Corrected{}, err
	}
	if s.row.Revision != in.Expected {
		return Corrected{}, notCurrent(s.row.Revision)
	}
	return c.scoreAgain(ctx, tx, &s, auditlog.Draft{
		ClinicID: s.session.ClinicID, Action: record.ActionSessionRescore, Actor: p.Actor(), Reason: in.Reason,
		Subjects: []string{subject(record.KindSession, in.SessionID), subject(record.KindReferral, s.ground.referral.ID),
			subject(record.KindClient, s.ground.client.ID)},
	}, true)
}

// scoreAgain stores the next revision of a session with its new finding and the draft's own rows, as the last thing of the transaction. With
// mustDiffer, a finding that would be the same is refused.
func (c *Casework) scoreAgain(ctx context.Context, tx *store.Tx, s *standing, d auditlog.Draft, mustDiffer bool) (Corrected, error) {
	id, revision := s.session.ID, s.row.Revision+1
	was, err := tx.At(ctx, record.KindFinding, id, s.row.Revision)
	if err != nil {
		return Corrected{}, err
	}
	finding, body, err := s.ground.score(s.session, revision)
	if err != nil {
		return Corrected{}, err
	}
	changed, err := computedDifferences(was.Body, body)
	if err != nil {
		return Corrected{}, err
	}
	if mustDiffer && len(changed) == 0 {
		return Corrected{}, fault.New(fault.Precondition, "FINDING_UNCHANGED", "scored again, the finding is the same; nothing was written")
	}
	d.Sessions = []store.SessionRow{{ID: id, ReferralID: s.session.ReferralID, Revision: revision, Body: s.row.Body}}
	d.Docs = append(d.Docs, store.DocRow{Kind: record.KindFinding, ID: id, Revision: revision, Body: body})
	d.Last = true
	entry, err := c.log.Commit(ctx, tx, s.head, d, false)
	if err != nil {
		return Corrected{}, err
	}
	at := revisionOf(revision, entry)
	return Corrected{
		Session:     record.Stored[record.Session]{Value: s.session, Revision: at},
		Finding:     record.Stored[record.Finding]{Value: finding, Revision: at},
		Differences: changed,
	}, nil
}

// CursorAfter is the place after the last of some items in the order of writing; without items, the place where the page began.
func CursorAfter[T any](items []record.Stored[T], began string) string {
	if len(items) == 0 {
		return began
	}
	return strconv.FormatInt(items[len(items)-1].Revision.Entry, 10)
}
