package casework

import (
	"context"
	"fmt"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// mostOverlap is the longest that a token goes on beside its successor.
const mostOverlap = 24 * time.Hour

// Rotated is what became of a rotation: the successor with its secret, which is stored nowhere, and the token that was presented, with its end.
type Rotated struct {
	Token  record.Stored[TokenView]
	Secret string
	Former record.Stored[TokenView]
}

// RotateToken makes a successor of the token that is presented, for the same holder, roles and label. The presented one goes on for the overlap, so that
// no request in flight is lost, and then ends; an overlap of 0 ends it at once. A token has one successor. One that was signed in for is not outlived
// by its successors, so that rotating does not replace signing in.
func (c *Casework) RotateToken(ctx context.Context, p authn.Principal, overlap time.Duration, expires record.Time) (Rotated, error) {
	if p.TokenID == "" {
		return Rotated{}, fault.New(fault.Precondition, "NO_TOKEN", "the call was not made with a token, so there is none to rotate")
	}
	if overlap < 0 || overlap > mostOverlap {
		return Rotated{}, invalid("overlap_seconds", "rotation.overlap", "a token goes on for a day at most")
	}
	clinic := logOf(p)
	var done Rotated
	err := c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) (err error) {
		done, err = c.rotateUnder(ctx, tx, head, p, clinic, overlap, expires)
		return err
	})
	if err != nil {
		return Rotated{}, fmt.Errorf("rotate token: %w", err)
	}
	return done, nil
}

// logOf is the clinic in whose log a credential's own records stand: the network's and payers' stand in the network's.
func logOf(p authn.Principal) string {
	if p.ClinicID == "" {
		return record.NetworkClinic
	}
	return p.ClinicID
}

func (c *Casework) rotateUnder(ctx context.Context, tx *store.Tx, head auditlog.Head, p authn.Principal, clinic string, overlap time.Duration, expires record.Time) (Rotated, error) {
	row, err := tx.Newest(ctx, record.KindToken, p.TokenID)
	if err != nil {
		return Rotated{}, err
	}
	former, err := read[record.Token](record.KindToken, row.Body)
	if err != nil {
		return Rotated{}, err
	}
	was, err := newestOrNil(ctx, tx, record.KindTokenRevocation, former.ID)
	if err != nil {
		return Rotated{}, err
	}
	if was != nil {
		return Rotated{}, fault.New(fault.Precondition, "TOKEN_ROTATED", "the token has a successor already, or has been revoked; use the successor, or ask an administrator for a new token")
	}
	now := c.now()
	if err := successorEnds(former, expires, now); err != nil {
		return Rotated{}, err
	}
	id, secret, hash, err := authn.Mint(c.rand)
	if err != nil {
		return Rotated{}, err
	}
	next := former
	next.ID, next.SecretHash, next.ExpiresAt, next.RotatedFrom = id, hash, expires, former.ID
	revocation := record.TokenRevocation{TokenID: former.ID, RevokedAt: record.TimeOf(now.Add(overlap)), Reason: "succeeded by token " + id}
	if overlap > 0 {
		revocation.SuccessorID = id
	}
	docs, err := docRows(newDoc{record.KindToken, id, 1, next}, newDoc{record.KindTokenRevocation, former.ID, 1, revocation})
	if err != nil {
		return Rotated{}, err
	}
	entry, err := c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: clinic, Action: record.ActionTokenRotate, Actor: p.Actor(),
		Subjects: append(tokenSubjects(next), subject(record.KindToken, former.ID)), Docs: docs, Last: true}, false)
	return Rotated{
		Token:  record.Stored[TokenView]{Value: TokenView{Token: next}, Revision: revisionOf(1, entry)},
		Secret: secret,
		Former: record.Stored[TokenView]{Value: TokenView{Token: former, RevokedAt: revocation.RevokedAt}, Revision: rowRevision(row)},
	}, err
}

// successorEnds checks when a successor stops working.
func successorEnds(former record.Token, expires record.Time, now time.Time) error {
	ends := expires.Std()
	var wrong []fault.Violation
	if !ends.After(now) || ends.After(now.Add(tokenLife)) {
		wrong = append(wrong, fault.Violation{Field: "expires_at", Rule: "token.expires", Text: "a token ends in the future, at most 400 days ahead"})
	}
	if former.IdentityID != "" && ends.After(former.ExpiresAt.Std()) {
		wrong = append(wrong, fault.Violation{Field: "expires_at", Rule: "rotation.expires",
			Text: "the successor of a token that was signed in for ends with it at the latest; sign in again for a longer one"})
	}
	return fault.InvalidFields(wrong)
}

// SignOut ends the token that is presented.
func (c *Casework) SignOut(ctx context.Context, p authn.Principal) (record.Stored[TokenView], error) {
	var done record.Stored[TokenView]
	if p.TokenID == "" {
		return done, fault.New(fault.Precondition, "NO_TOKEN", "the call was not made with a token, so there is none to end")
	}
	clinic := logOf(p)
	err := c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) (err error) {
		done, err = c.revokeUnder(ctx, tx, head, p, clinic, p.TokenID, "signed out")
		return err
	})
	if err != nil {
		return record.Stored[TokenView]{}, fmt.Errorf("sign out: %w", err)
	}
	return done, nil
}

// newDoc is a new revision of a record about to be stored.
type newDoc struct {
	kind, id string
	revision int
	value    any
}

func docRows(docs ...newDoc) ([]store.DocRow, error) {
	rows := make([]store.DocRow, 0, len(docs))
	for _, d := range docs {
		body, err := canon.Marshal(d.value)
		if err != nil {
			return nil, textFault(err)
		}
		rows = append(rows, store.DocRow{Kind: d.kind, ID: d.id, Revision: d.revision, Body: body})
	}
	return rows, nil
}
