package casework

import (
	"context"
	"encoding/json"
	"errors"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// shownDocument are the members of a signed result that decide how, and whether, it is shown.
type shownDocument struct {
	Format                 string              `json:"format"`
	Clinic                 record.ResultClinic `json:"clinic"`
	Client                 named               `json:"client"`
	Referral               named               `json:"referral"`
	Decision               record.Outcome      `json:"decision"`
	Signature              record.Signature    `json:"signature"`
	EnclosedDigest         string              `json:"enclosed_digest"`
	CountersignatureNeeded bool                `json:"countersignature_needed"`
}

// named is a record of which only the id is read.
type named struct {
	ID string `json:"id"`
}

// openShown verifies a stored result and reads what showing it needs. The signature covers every byte, and only bytes that were checked member by
// member were ever signed, so that they are not parsed a second time to be passed on. What does not verify is not shown.
func (c *Casework) openShown(row store.ShownRow) (record.ResultDocument, string, error) {
	var doc shownDocument
	payload, kid, err := seal.VerifyJWS(c.ring, row.JWS)
	if err == nil {
		err = json.Unmarshal(payload, &doc)
	}
	if err == nil && doc.Format != record.ResultFormat && doc.Format != record.ResultFormat2 {
		err = errors.New("the format of a stored result is not known")
	}
	// Likewise the raw trials: the digest that was signed is over every byte of them.
	if err == nil && doc.Format == record.ResultFormat2 && bundle.EnclosedDigest(row.EnclosedSalt, row.Enclosed) != doc.EnclosedDigest {
		err = errors.New("the raw trials are not those that the signed result commits to by digest")
	}
	if err != nil {
		return record.ResultDocument{}, "", fault.Wrap(fault.Internal, "STORED_RESULT", "a stored result does not verify; run the audit check", err)
	}
	return record.ResultDocument{Format: doc.Format, Clinic: doc.Clinic, Client: record.Client{ID: doc.Client.ID}, Referral: record.Referral{ID: doc.Referral.ID},
		Decision: doc.Decision, Signature: doc.Signature, CountersignatureNeeded: doc.CountersignatureNeeded}, kid, nil
}

// shownResult is a stored result with its bundle, as bundled makes it, from a row that holds all of it.
func (c *Casework) shownResult(ctx context.Context, tx *store.Tx, row store.ShownRow) (disclosing, error) {
	doc, kid, err := c.openShown(row)
	if err != nil {
		return disclosing{}, err
	}
	got := viewOf(row.ResultRow, doc, kid)
	b := &Bundle{JWS: row.JWS, Proof: Proof{Entry: string(row.Content), Salt: row.EntrySalt, Checkpoint: row.Note, Path: pathOf(row.Path)},
		Format: bundle.FormatOf(doc.Format)}
	if doc.Format == record.ResultFormat2 {
		b.Enclosed, b.EnclosedSalt = string(row.Enclosed), row.EnclosedSalt
	}
	got.Value.Bundle = b
	got.Value.AwaitsCountersignature = awaits(doc, nil)
	if row.Countersigned {
		if err := c.addCountersigned(ctx, tx, row.ResultRow, doc, &got.Value); err != nil {
			return disclosing{}, err
		}
	}
	scope := candidate{line: []string{row.ID}, whole: doc.Format == record.ResultFormat}
	if row.Supersedes != "" {
		if scope.line, err = lineOf(ctx, tx, row.SessionID, row.ID); err != nil {
			return disclosing{}, err
		}
	}
	return disclosing{id: row.ID, result: got, referral: doc.Referral.ID, client: doc.Client.ID, scope: scope}, nil
}

// lockWithReleases takes the head of the clinic's log, and reads the live releases of the candidates' referrals under it.
func (c *Casework) lockWithReleases(ctx context.Context, tx *store.Tx, found []disclosing) (auditlog.Head, map[string][]record.Release, error) {
	asked := make(map[string]bool, len(found))
	var referrals []string
	for _, d := range found {
		if !asked[d.referral] {
			asked[d.referral] = true
			referrals = append(referrals, d.referral)
		}
	}
	size, edge, rows, err := tx.LockHeadAndReleases(ctx, referrals)
	if err != nil {
		if fault.Is(err, fault.NotFound) {
			err = fault.Wrap(fault.NotFound, "CLINIC_NOT_FOUND", "there is no such clinic", err)
		}
		return auditlog.Head{}, nil, err
	}
	now := record.TimeOf(c.now())
	releases := make(map[string][]record.Release, len(rows))
	for referral, list := range rows {
		if releases[referral], err = liveOf(list, now); err != nil {
			return auditlog.Head{}, nil, err
		}
	}
	return auditlog.Head{Size: size, Edge: edge}, releases, nil
}
