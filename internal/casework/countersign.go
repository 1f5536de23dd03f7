package casework

import (
	"context"
	"fmt"
	"slices"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// Countersigning asks for a second signature over a result.
type Countersigning struct {
	ID       string
	ResultID string
	Proof    SignerProof
}

// CountersignatureView is a second signature as it is shown. Proof is empty in lists.
type CountersignatureView struct {
	ID        string
	Signature record.Signature
	KeyID     string
	JWS       string
	Proof     Proof
}

// CountersignResult adds a second signature to a result that stands, by another reviewer than the one who signed it. Where the result waited for
// it, it goes into the payer's feed in the same transaction. The same request again is answered with what is stored.
func (c *Casework) CountersignResult(ctx context.Context, p authn.Principal, in Countersigning) (record.Stored[ResultView], error) {
	var none record.Stored[ResultView]
	clinic, err := clinicOfSigner(p)
	if err != nil {
		return none, err
	}
	there := false
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		_, there, err = c.countersignable(ctx, tx, p, in)
		return err
	})
	if err == nil && !there {
		if err = c.checkSigner(ctx, p, in.Proof, in.ResultID); err == nil {
			err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error { return c.countersignUnder(ctx, tx, p, in) })
		}
	}
	if err != nil {
		return none, fmt.Errorf("countersign result: %w", err)
	}
	return c.readResult(ctx, clinic, in.ResultID)
}

// toCountersign is a result that may be countersigned.
type toCountersign struct {
	row    store.ResultRow
	doc    record.ResultDocument
	before []CountersignatureView
}

// countersignable judges a request. there says that it was carried out before.
func (c *Casework) countersignable(ctx context.Context, tx *store.Tx, p authn.Principal, in Countersigning) (got toCountersign, there bool, err error) {
	if got.row, err = tx.Result(ctx, in.ResultID); err != nil {
		return got, false, err
	}
	if got.doc, _, err = c.open(got.row); err != nil {
		return got, false, err
	}
	if got.before, _, err = c.countersigned(ctx, tx, got.row); err != nil {
		return got, false, err
	}
	at := slices.IndexFunc(got.before, func(v CountersignatureView) bool { return v.ID == in.ID })
	by := slices.IndexFunc(got.before, func(v CountersignatureView) bool { return v.Signature.MemberID == p.MemberID })
	if at >= 0 && at == by {
		return got, true, nil
	}
	switch {
	case at >= 0:
		err = fault.New(fault.Conflict, "COUNTERSIGNATURE_CONFLICT", "a countersignature with this id is another person's; nothing was stored")
	case by >= 0:
		err = fault.New(fault.Conflict, "COUNTERSIGNED_ALREADY", "you have countersigned this result already; nothing was stored")
	case got.doc.Signature.MemberID == p.MemberID:
		err = fault.New(fault.Denied, "SECOND_SIGNER", "a countersignature is another reviewer's than the one who signed; nothing was stored")
	case got.row.SupersededBy != "":
		err = fault.New(fault.Conflict, "RESULT_SUPERSEDED", "the result has been superseded; countersign the one that stands")
	case got.row.Newest > got.row.SessionRevision:
		err = fault.New(fault.Precondition, "RESULT_OUTDATED", "the session was corrected after this result was signed; have it superseded, then countersign the new one")
	}
	return got, false, err
}

// countersignUnder is the one transaction of a countersignature.
func (c *Casework) countersignUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in Countersigning) error {
	head, err := lockHead(ctx, tx)
	if err != nil {
		return err
	}
	got, there, err := c.countersignable(ctx, tx, p, in)
	if err != nil || there {
		return err
	}
	if row, err := newestOrNil(ctx, tx, record.KindCountersignature, in.ID); err != nil || row != nil {
		if err != nil {
			return err
		}
		return fault.New(fault.Conflict, "COUNTERSIGNATURE_CONFLICT", "a countersignature with this id is over another result; nothing was stored")
	}
	signer, err := signerOf(ctx, tx, p.MemberID)
	if err != nil {
		return err
	}
	body, err := c.countersignature(ctx, in, got, signer)
	if err != nil {
		return err
	}
	draft := auditlog.Draft{
		ClinicID: got.doc.Clinic.ID, Action: record.ActionResultCountersign, Actor: p.Actor(),
		Subjects: []string{subject(record.KindCountersignature, in.ID), subject(record.KindResult, in.ResultID),
			subject(record.KindSession, got.row.SessionID), subject(record.KindReferral, got.doc.Referral.ID), subject(record.KindClient, got.doc.Client.ID)},
		Docs: []store.DocRow{{Kind: record.KindCountersignature, ID: in.ID, Revision: 1, Body: body}},
		Last: true,
	}
	draft.Actor.Role = record.RoleReviewer
	if got.doc.CountersignatureNeeded && len(got.before) == 0 {
		if draft.Feed, err = c.feedOnceCountersigned(ctx, tx, got); err != nil {
			return err
		}
	}
	_, err = c.log.Commit(ctx, tx, head, draft, true)
	return err
}

// countersignature signs, and makes the record that is stored.
func (c *Casework) countersignature(ctx context.Context, in Countersigning, got toCountersign, signer record.Member) ([]byte, error) {
	payload, err := canon.Marshal(record.CountersignatureDocument{
		Format: record.CountersignatureFormat, ID: in.ID, ClinicID: got.doc.Clinic.ID, ResultID: in.ResultID, ResultDigest: bundle.JWSDigest(got.row.JWS),
		Signature: record.Signature{MemberID: signer.ID, Name: signer.Name, Credential: signer.Credential, Role: record.RoleReviewer,
			At: record.TimeOf(c.now()), Meaning: record.MeaningCountersigned},
	})
	if err != nil {
		return nil, textFault(err)
	}
	jws, err := seal.SignCountersignature(ctx, c.key, payload)
	if err != nil {
		return nil, signFault(ctx, err)
	}
	body, err := canon.Marshal(record.Countersignature{ID: in.ID, ResultID: in.ResultID, JWS: jws})
	if err != nil {
		return nil, textFault(err)
	}
	return body, nil
}

// feedOnceCountersigned puts a result that waited into the feed of its referral's payer, where a live release covers it.
func (c *Casework) feedOnceCountersigned(ctx context.Context, tx *store.Tx, got toCountersign) ([]store.FeedRow, error) {
	row, err := tx.Newest(ctx, record.KindReferral, got.doc.Referral.ID)
	if err != nil {
		return nil, err
	}
	referral, err := read[record.Referral](record.KindReferral, row.Body)
	if err != nil {
		return nil, err
	}
	scope, err := scopeOf(ctx, tx, got.row, got.doc)
	if err != nil {
		return nil, err
	}
	if released, err := c.released(ctx, tx, referral.ID, referral.PayerID, scope); err != nil || !released {
		return nil, err
	}
	there, err := tx.InFeed(ctx, referral.PayerID, []string{got.row.ID})
	if err != nil || there[got.row.ID] {
		return nil, err
	}
	return feedRows(ctx, tx, got.doc.Clinic.ID, referral.PayerID, got.row.ID)
}

// countersigned are the second signatures over a result, verified, without their proofs; entries are the numbers of the entries that wrote them.
func (c *Casework) countersigned(ctx context.Context, tx *store.Tx, row store.ResultRow) (views []CountersignatureView, entries []int64, err error) {
	rows, err := tx.Countersignatures(ctx, row.ID)
	if err != nil {
		return nil, nil, err
	}
	for _, r := range rows {
		v, err := read[record.Countersignature](record.KindCountersignature, r.Body)
		if err != nil {
			return nil, nil, err
		}
		doc, kid, err := bundle.OpenCountersignature(c.ring, v.JWS, row.JWS)
		if err != nil {
			return nil, nil, fault.Wrap(fault.Internal, "STORED_RESULT", "a stored countersignature does not verify; run the audit check", err)
		}
		views = append(views, CountersignatureView{ID: v.ID, Signature: doc.Signature, KeyID: kid, JWS: v.JWS})
		entries = append(entries, r.Entry)
	}
	return views, entries, nil
}

// addCountersigned adds the second signatures to a result and, each with its proof against the checkpoint that was signed with it, to its bundle.
func (c *Casework) addCountersigned(ctx context.Context, tx *store.Tx, row store.ResultRow, doc record.ResultDocument, v *ResultView) error {
	views, entries, err := c.countersigned(ctx, tx, row)
	if err != nil {
		return err
	}
	v.Countersigned, v.AwaitsCountersignature = views, awaits(doc, views)
	for i, view := range views {
		proof, err := c.log.Prove(ctx, tx, tx.ClinicID(), entries[i], entries[i]+1)
		if err != nil {
			return err
		}
		view.Proof = proofOf(proof)
		v.Bundle.Countersigned = append(v.Bundle.Countersigned, view)
	}
	return nil
}

// listed is a result as a list shows it. Second signatures are looked up where the result waits for one.
func (c *Casework) listed(ctx context.Context, tx *store.Tx, row store.ResultRow) (record.Stored[ResultView], error) {
	item, doc, err := c.view(row)
	if err != nil || !doc.CountersignatureNeeded {
		return item, err
	}
	views, _, err := c.countersigned(ctx, tx, row)
	item.Value.Countersigned, item.Value.AwaitsCountersignature = views, awaits(doc, views)
	return item, err
}

// awaits reports whether a result must not be shown to a payer yet.
func awaits(doc record.ResultDocument, countersigned []CountersignatureView) bool {
	return doc.CountersignatureNeeded && len(countersigned) == 0
}
