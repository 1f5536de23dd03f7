package casework

import (
	"context"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// PutClient stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutClient(ctx context.Context, p authn.Principal, v record.Client, expected int) (record.Stored[record.Client], error) {
	var none record.Stored[record.Client]
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	if err := fault.InvalidFields(record.CheckClient(v, record.TimeOf(c.now()), "client")); err != nil {
		return none, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindClient, id: v.ID, clinic: clinic, value: v, expected: expected})
	return record.Stored[record.Client]{Value: v, Revision: done}, err
}

// GetClient returns the newest revision.
func (c *Casework) GetClient(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Client], error) {
	return get[record.Client](ctx, c, p, record.KindClient, id)
}

// ListClients returns one page.
func (c *Casework) ListClients(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Client], error) {
	return list[record.Client](ctx, c, p, record.KindClient, page)
}

// PutReferral stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutReferral(ctx context.Context, p authn.Principal, v record.Referral, expected int) (record.Stored[record.Referral], error) {
	var none record.Stored[record.Referral]
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	noPayer, err := c.payerExists(ctx, v.PayerID, "referral.payer_id")
	if err != nil {
		return none, err
	}
	in := putting{kind: record.KindReferral, id: v.ID, clinic: clinic, value: v, expected: expected}
	in.check = func(ctx context.Context, tx *store.Tx) ([]fault.Violation, error) {
		found, err := broken(ctx, tx,
			exists{record.KindClient, v.ClientID, "referral.client_id", "the client is one of the clinic's"},
			exists{record.KindJobProfile, v.JobProfileID, "referral.job_profile_id", "the job profile is one of the clinic's"})
		return append(found, noPayer...), err
	}
	done, err := c.put(ctx, p, in)
	return record.Stored[record.Referral]{Value: v, Revision: done}, err
}

// GetReferral returns the newest revision.
func (c *Casework) GetReferral(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Referral], error) {
	return get[record.Referral](ctx, c, p, record.KindReferral, id)
}

// ListReferrals returns one page.
func (c *Casework) ListReferrals(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Referral], error) {
	return list[record.Referral](ctx, c, p, record.KindReferral, page)
}

// PutJobProfile stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutJobProfile(ctx context.Context, p authn.Principal, v record.JobProfile, expected int) (record.Stored[record.JobProfile], error) {
	var none record.Stored[record.JobProfile]
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	if err := fault.InvalidFields(record.CheckJobProfile(v, record.KindJobProfile)); err != nil {
		return none, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindJobProfile, id: v.ID, clinic: clinic, value: v, expected: expected})
	return record.Stored[record.JobProfile]{Value: v, Revision: done}, err
}

// GetJobProfile returns the newest revision.
func (c *Casework) GetJobProfile(ctx context.Context, p authn.Principal, id string) (record.Stored[record.JobProfile], error) {
	return get[record.JobProfile](ctx, c, p, record.KindJobProfile, id)
}

// ListJobProfiles returns one page.
func (c *Casework) ListJobProfiles(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.JobProfile], error) {
	return list[record.JobProfile](ctx, c, p, record.KindJobProfile, page)
}
