package casework

import (
	"context"
	"slices"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// stands answers a correction that stands already as the session's newest revision: made by that action, for that reason, by the same member, of
// what the subject names. A caller whose answer got lost so learns that nothing is left to do. Nil when it is not that; that what was corrected is
// the same is the caller's to know.
func (s *standing) stands(ctx context.Context, tx *store.Tx, p authn.Principal, action, reason, subject string) (*Corrected, error) {
	row, err := tx.Entry(ctx, s.row.Entry)
	if err != nil {
		return nil, err
	}
	e, err := entryOf(row)
	if err != nil {
		return nil, err
	}
	if e.Action != action || e.Reason != reason || e.Actor.MemberID != p.MemberID || !slices.Contains(e.Subjects, subject) {
		return nil, nil
	}
	was, err := tx.At(ctx, record.KindFinding, s.session.ID, s.row.Revision-1)
	if err != nil {
		return nil, err
	}
	now, err := tx.At(ctx, record.KindFinding, s.session.ID, s.row.Revision)
	if err != nil {
		return nil, err
	}
	changed, err := computedDifferences(was.Body, now.Body)
	if err != nil {
		return nil, err
	}
	finding, err := storedOf[record.Finding](record.KindFinding, now)
	if err != nil {
		return nil, err
	}
	return &Corrected{Session: record.Stored[record.Session]{Value: s.session, Revision: rowRevision(s.row)}, Finding: finding, Differences: changed}, nil
}

// notCurrent answers a change of a revision that is not the newest.
func notCurrent(newest int) error {
	return revisionConflict(newest, []fault.Violation{{Field: "expected_revision", Rule: "revision.current",
		Text: "the revision that was looked at is the session's newest"}})
}
