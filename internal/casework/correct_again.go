package casework

import (
	"bytes"
	"context"
	"encoding/json"
	"slices"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// corrected answers a correction that stands already, as the session's newest revision: the same trial, by the same member, for the same
// reason. A caller whose answer got lost so learns that nothing is left to do. Nil when it is not that.
func corrected(ctx context.Context, tx *store.Tx, p authn.Principal, s standing, in Correction, body []byte) (*Corrected, error) {
	if s.row.Revision != in.Expected+1 || !slices.ContainsFunc(s.trials, func(t store.TrialRow) bool {
		return t.Series == in.Series && t.Number == in.Trial.Number && t.Revision == s.row.Revision && bytes.Equal(t.Body, body)
	}) {
		return nil, nil
	}
	row, err := tx.Entry(ctx, s.row.Entry)
	if err != nil {
		return nil, err
	}
	var e record.Entry
	if err := json.Unmarshal(row.Content, &e); err != nil {
		// The text of the error could repeat what is stored.
		return nil, fault.New(fault.Internal, "STORED_RECORD", "a stored audit entry cannot be read")
	}
	if e.Action != record.ActionTrialCorrect || e.Reason != in.Reason || e.Actor.MemberID != p.MemberID {
		return nil, nil
	}
	was, err := tx.At(ctx, record.KindFinding, in.SessionID, in.Expected)
	if err != nil {
		return nil, err
	}
	now, err := tx.At(ctx, record.KindFinding, in.SessionID, s.row.Revision)
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
