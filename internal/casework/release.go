package casework

import (
	"context"
	"slices"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// PutRelease stores a new revision of a client's authorization. While it is live, the results of its referral that stand are put into the
// payer's feed in the same transaction, those that are there already left alone. expected is the revision that it replaces, 0 for a
// new record; the same content again changes nothing.
func (c *Casework) PutRelease(ctx context.Context, p authn.Principal, v record.Release, expected int) (record.Stored[record.Release], error) {
	var none record.Stored[record.Release]
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	now := record.TimeOf(c.now())
	if err := fault.InvalidFields(record.CheckRelease(v, now, record.KindRelease)); err != nil {
		return none, err
	}
	in := putting{kind: record.KindRelease, id: v.ID, clinic: clinic, value: v, expected: expected}
	in.check = func(ctx context.Context, tx *store.Tx) ([]fault.Violation, error) {
		if wrong, err := releaseFits(ctx, tx, v); err != nil || len(wrong) > 0 {
			return wrong, err
		}
		return c.releaseLists(ctx, tx, v)
	}
	in.feed = func(ctx context.Context, tx *store.Tx) ([]store.FeedRow, error) {
		if !live(v, now) {
			return nil, nil
		}
		return c.missingFromFeed(ctx, tx, v)
	}
	done, err := c.put(ctx, p, in)
	return record.Stored[record.Release]{Value: v, Revision: done}, err
}

// ListReleases returns one page.
func (c *Casework) ListReleases(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Release], error) {
	return list[record.Release](ctx, c, p, record.KindRelease, page)
}

// live reports whether a release authorizes at a moment. One that ends at that very moment has ended.
func live(r record.Release, now record.Time) bool { return !r.Revoked && now.Before(r.ExpiresAt) }

// releaseFits checks that the referral is there and is for that payer. A release may be withdrawn whatever has become of the referral.
func releaseFits(ctx context.Context, tx *store.Tx, v record.Release) ([]fault.Violation, error) {
	row, err := newestOrNil(ctx, tx, record.KindReferral, v.ReferralID)
	if err != nil {
		return nil, err
	}
	if row == nil {
		return []fault.Violation{{Field: "release.referral_id", Rule: "referral.exists", Text: "the referral is one of the clinic's"}}, nil
	}
	referral, err := read[record.Referral](record.KindReferral, row.Body)
	if err != nil {
		return nil, err
	}
	if !v.Revoked && referral.PayerID != v.PayerID {
		return []fault.Violation{{Field: "release.payer_id", Rule: "release.payer", Text: "the payer is the referral's"}}, nil
	}
	return nil, nil
}

// missingFromFeed puts the results that a release covers into the payer's feed, in the order of signing: those that stand, and those that it lists. Results
// that await a countersignature are left out.
func (c *Casework) missingFromFeed(ctx context.Context, tx *store.Tx, v record.Release) ([]store.FeedRow, error) {
	results, err := tx.ResultsOfReferral(ctx, v.ReferralID)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, r := range results {
		if r.SupersededBy != "" && !slices.Contains(v.ResultIDs, r.ID) {
			continue
		}
		item, err := c.listed(ctx, tx, r)
		if err != nil {
			return nil, err
		}
		doc, _, err := c.open(r)
		if err != nil {
			return nil, err
		}
		scope, err := scopeOf(ctx, tx, r, doc)
		if err != nil {
			return nil, err
		}
		if covers(v, scope) && !item.Value.AwaitsCountersignature {
			ids = append(ids, r.ID)
		}
	}
	there, err := tx.InFeed(ctx, v.PayerID, ids)
	if err != nil {
		return nil, err
	}
	var missing []string
	for _, id := range ids {
		if !there[id] {
			missing = append(missing, id)
		}
	}
	return feedRows(ctx, tx, v.ClinicID, v.PayerID, missing...)
}

// feedRows takes the next numbers of a payer's feed for results. The clinic's head must be taken.
func feedRows(ctx context.Context, tx *store.Tx, clinic, payer string, results ...string) ([]store.FeedRow, error) {
	var rows []store.FeedRow
	for _, id := range results {
		number, err := tx.NextFeedNumber(ctx, payer)
		if err != nil {
			return nil, err
		}
		body, err := canon.Marshal(record.FeedItem{PayerID: payer, Number: number, ClinicID: clinic, ResultID: id})
		if err != nil {
			return nil, textFault(err)
		}
		rows = append(rows, store.FeedRow{PayerID: payer, Number: number, ClinicID: clinic, ResultID: id, Body: body})
	}
	return rows, nil
}

// liveReleases are the releases of a referral that authorize now.
func liveReleases(ctx context.Context, tx *store.Tx, referralID string, now record.Time) ([]record.Release, error) {
	rows, err := tx.Releases(ctx, referralID)
	if err != nil {
		return nil, err
	}
	return liveOf(rows, now)
}

// liveOf are those of stored releases that authorize at a moment.
func liveOf(rows []store.Row, now record.Time) ([]record.Release, error) {
	var out []record.Release
	for _, row := range rows {
		r, err := read[record.Release](record.KindRelease, row.Body)
		if err != nil {
			return nil, err
		}
		if live(r, now) {
			out = append(out, r)
		}
	}
	return out, nil
}
