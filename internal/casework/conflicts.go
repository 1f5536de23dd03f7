package casework

import (
	"context"
	"fmt"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// ConflictView is a conflict with both sides. Stored is the session as it stands.
type ConflictView struct {
	Conflict    record.SessionConflict
	SentBy      string
	Stored      record.Stored[record.Session]
	Differences []record.Difference
}

// Resolving decides a conflict. Expected is the session's revision that the reviewer looked at.
type Resolving struct {
	ID       string
	Decision record.ConflictDecision
	Expected int
	Reason   string
}

// ListSessionConflicts returns one page by id, decided ones only where openOnly is false.
func (c *Casework) ListSessionConflicts(ctx context.Context, p authn.Principal, openOnly bool, page record.Page) (record.List[ConflictView], error) {
	var out record.List[ConflictView]
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	if err := idCursor(record.KindSessionConflict, page.Cursor); err != nil {
		return out, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return out, err
	}
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		out = record.List[ConflictView]{}
		n := names{tx: tx}
		for cursor := page.Cursor; ; {
			rows, err := tx.ListNewest(ctx, record.KindSessionConflict, cursor, size)
			if err != nil {
				return err
			}
			for _, row := range rows {
				cursor = row.ID
				item, open, err := conflictView(ctx, tx, &n, row)
				if err != nil {
					return err
				}
				if !open && openOnly {
					continue
				}
				if len(out.Items) == size {
					out.Next = out.Items[size-1].Value.Conflict.ID
					return nil
				}
				out.Items = append(out.Items, item)
			}
			if len(rows) < size {
				return nil
			}
		}
	})
	if err != nil {
		return record.List[ConflictView]{}, fmt.Errorf("list session conflicts: %w", err)
	}
	return out, nil
}

// conflictView puts both sides together.
func conflictView(ctx context.Context, tx *store.Tx, n *names, row store.Row) (record.Stored[ConflictView], bool, error) {
	var none record.Stored[ConflictView]
	v, err := read[record.SessionConflict](record.KindSessionConflict, row.Body)
	if err != nil {
		return none, false, err
	}
	view := ConflictView{Conflict: v}
	if view.SentBy, err = n.of(ctx, v.SentBy); err != nil {
		return none, false, err
	}
	stored, err := tx.Newest(ctx, record.KindSession, v.SessionID)
	if err != nil {
		return none, false, err
	}
	trials, err := tx.Trials(ctx, v.SessionID, stored.Revision)
	if err != nil {
		return none, false, err
	}
	session, err := assemble(stored.Body, trials)
	if err != nil {
		return none, false, err
	}
	view.Stored = record.Stored[record.Session]{Value: session, Revision: rowRevision(stored)}
	if view.Differences, err = sessionDifferences(session, v.Incoming); err != nil {
		return none, false, err
	}
	return record.Stored[ConflictView]{Value: view, Revision: rowRevision(row)}, v.Decision == "", nil
}

// sessionDifferences is what parts two versions of a session, by the paths of the contract.
func sessionDifferences(was, now record.Session) ([]record.Difference, error) {
	before, err := record.CanonicalSession(was)
	if err != nil {
		return nil, fmt.Errorf("compare sessions: %w", err)
	}
	after, err := record.CanonicalSession(now)
	if err != nil {
		return nil, fmt.Errorf("compare sessions: %w", err)
	}
	found, err := differences(before, after, func(string) bool { return true })
	for i := range found {
		found[i].Path = contractPath(record.KindSession, found[i].Path)
	}
	return found, err
}

// ResolveSessionConflict decides a conflict. Where what came is taken, it becomes the session's next revision, scored anew; what was stored stays as
// the earlier one. The same decision again is answered with what is stored.
func (c *Casework) ResolveSessionConflict(ctx context.Context, p authn.Principal, in Resolving) (record.Stored[ConflictView], error) {
	var done record.Stored[ConflictView]
	if err := need(p, record.RoleReviewer); err != nil {
		return done, err
	}
	clinic, err := ownClinic(p, "")
	if err != nil {
		return done, err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return done, invalid("reason", "conflict.reason", "a decision says why")
	}
	if in.Decision != record.StoredStands && in.Decision != record.IncomingTaken {
		return done, invalid("decision", "conflict.decision", "what is stored stands, or what came is taken")
	}
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error { return c.resolveUnder(ctx, tx, p, in) })
	if err == nil {
		err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			row, err := tx.Newest(ctx, record.KindSessionConflict, in.ID)
			if err != nil {
				return err
			}
			done, _, err = conflictView(ctx, tx, &names{tx: tx}, row)
			return err
		})
	}
	if err != nil {
		return record.Stored[ConflictView]{}, fmt.Errorf("resolve session conflict: %w", err)
	}
	return done, nil
}

// resolveUnder is the one transaction of a decision.
func (c *Casework) resolveUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in Resolving) error {
	r := resolution{}
	var err error
	if r.row, err = tx.Newest(ctx, record.KindSessionConflict, in.ID); err != nil {
		return err
	}
	if r.conflict, err = read[record.SessionConflict](record.KindSessionConflict, r.row.Body); err != nil {
		return err
	}
	s, err := standingOf(ctx, tx, r.conflict.SessionID, r.conflict.Incoming.Screening.OverrideBy)
	if err != nil {
		return err
	}
	// Read again under the head: another may have decided meanwhile.
	if r.row, err = tx.Newest(ctx, record.KindSessionConflict, in.ID); err != nil {
		return err
	}
	if r.conflict, err = read[record.SessionConflict](record.KindSessionConflict, r.row.Body); err != nil {
		return err
	}
	switch {
	case r.conflict.Decision == in.Decision && r.conflict.Reason == in.Reason:
		return nil
	case r.conflict.Decision != "":
		return fault.New(fault.Conflict, "CONFLICT_DECIDED", "the conflict has been decided otherwise already; nothing was stored")
	case s.row.Revision != in.Expected:
		return notCurrent(s.row.Revision)
	}
	return c.decide(ctx, tx, p, in, r, &s)
}

func (c *Casework) decide(ctx context.Context, tx *store.Tx, p authn.Principal, in Resolving, r resolution, s *standing) error {
	doc, _, err := r.decided(in)
	if err != nil {
		return err
	}
	draft := auditlog.Draft{
		ClinicID: s.session.ClinicID, Action: record.ActionSessionResolve, Actor: p.Actor(), Reason: in.Reason,
		Subjects: []string{subject(record.KindSessionConflict, in.ID), subject(record.KindSession, s.session.ID),
			subject(record.KindReferral, s.ground.referral.ID), subject(record.KindClient, s.ground.client.ID)},
		Docs: []store.DocRow{doc}, Last: true,
	}
	if in.Decision == record.StoredStands {
		_, err := c.log.Commit(ctx, tx, s.head, draft, false)
		return err
	}
	if draft.Trials, err = s.take(r.conflict.Incoming); err != nil {
		return err
	}
	who, err := overriderFit(r.conflict.Incoming.Screening, s.override, "incoming.screening")
	if err != nil {
		return err
	}
	if err := fault.InvalidFields(who); err != nil {
		return err
	}
	_, err = c.scoreAgain(ctx, tx, s, draft, false)
	return err
}
