package casework

import (
	"context"
	"strings"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// maxRetentionDays is the longest retention period that a clinic may set: some hundred years.
const maxRetentionDays = 36500

// checkRetention finds a retention period that no clinic may have.
func checkRetention(days int) []fault.Violation {
	if days >= 0 && days <= maxRetentionDays {
		return nil
	}
	return []fault.Violation{{Field: "clinic.retention_days", Rule: "clinic.retention_days", Text: "records are kept from 0 to 36500 days after the last session"}}
}

// PutLegalHold places a hold or lifts one, as a new revision. expected is the revision that it replaces, 0 for a new hold; the same content again changes
// nothing. Whose records a hold keeps does not change: another client needs a hold of its own.
func (c *Casework) PutLegalHold(ctx context.Context, p authn.Principal, v record.LegalHold, expected int) (record.Stored[record.LegalHold], error) {
	var none record.Stored[record.LegalHold]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return none, err
	}
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	if strings.TrimSpace(v.Reason) == "" {
		return none, fault.InvalidFields([]fault.Violation{{Field: "legal_hold.reason", Rule: "hold.reason", Text: "a hold says what it is for"}})
	}
	in := putting{kind: record.KindLegalHold, id: v.ID, clinic: clinic, value: v, expected: expected}
	if v.ClientID != "" {
		in.about = []string{subject(record.KindClient, v.ClientID)}
	}
	in.check = func(ctx context.Context, tx *store.Tx) ([]fault.Violation, error) {
		found, err := broken(ctx, tx, exists{record.KindClient, v.ClientID, "legal_hold.client_id", "the client is one of the clinic's"})
		if err != nil || expected == 0 {
			return found, err
		}
		same, err := sameClient(ctx, tx, v)
		return append(found, same...), err
	}
	done, err := c.put(ctx, p, in)
	return record.Stored[record.LegalHold]{Value: v, Revision: done}, err
}

// sameClient finds a hold that would silently let go of the client whose records it keeps.
func sameClient(ctx context.Context, tx *store.Tx, v record.LegalHold) ([]fault.Violation, error) {
	row, err := tx.Newest(ctx, record.KindLegalHold, v.ID)
	if err != nil {
		return nil, err
	}
	was, err := read[record.LegalHold](record.KindLegalHold, row.Body)
	if err != nil || was.ClientID == v.ClientID {
		return nil, err
	}
	return []fault.Violation{{Field: "legal_hold.client_id", Rule: "hold.same_client",
		Text: "whose records a hold keeps does not change; lift it and place another"}}, nil
}

// ListLegalHolds returns one page of the clinic's holds, lifted ones too.
func (c *Casework) ListLegalHolds(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.LegalHold], error) {
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin, record.RoleNetworkAuditor); err != nil {
		return record.List[record.LegalHold]{}, err
	}
	return listRead[record.LegalHold](ctx, c, p, record.KindLegalHold, page)
}
