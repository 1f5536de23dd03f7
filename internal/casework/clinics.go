package casework

import (
	"context"
	"fmt"
	"slices"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// PutClinic stores a new revision of a clinic in the clinic's own log, which it opens for a new clinic. expected is the revision that it
// replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutClinic(ctx context.Context, p authn.Principal, v record.Clinic, expected int) (record.Stored[record.Clinic], error) {
	var none record.Stored[record.Clinic]
	if err := needNetworkAdmin(p); err != nil {
		return none, err
	}
	wrong := checkRetention(v.RetentionDays)
	if v.ID == record.NetworkClinic {
		wrong = append(wrong, fault.Violation{Field: "clinic.id", Rule: "clinic.id_reserved", Text: "this id is the network's own"})
	}
	if _, err := mass.ParseUnit(string(v.DisplayUnit)); err != nil {
		wrong = append(wrong, fault.Violation{Field: "clinic.display_unit", Rule: "unit.known", Text: "masses are shown in lb or kg"})
	}
	if err := fault.InvalidFields(wrong); err != nil {
		return none, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindClinic, id: v.ID, clinic: v.ID, value: v, expected: expected, open: true})
	return record.Stored[record.Clinic]{Value: v, Revision: done}, err
}

// GetClinic returns the newest revision; a credential of a clinic sees its own only.
func (c *Casework) GetClinic(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Clinic], error) {
	if p.Network && p.ClinicID == "" {
		p.ClinicID = id
	}
	return get[record.Clinic](ctx, c, p, record.KindClinic, id)
}

// ListClinics returns one page of the network's clinics.
func (c *Casework) ListClinics(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Clinic], error) {
	if err := need(p, record.RoleNetworkAdmin, record.RoleNetworkAuditor); err != nil {
		return record.List[record.Clinic]{}, err
	}
	return listNetwork[record.Clinic](ctx, c, record.KindClinic, page)
}

// PutPayer stores a new revision in the network's own log. expected is the revision that it replaces, 0 for a new record; the same
// content again changes nothing.
func (c *Casework) PutPayer(ctx context.Context, p authn.Principal, v record.Payer, expected int) (record.Stored[record.Payer], error) {
	if err := needNetworkAdmin(p); err != nil {
		return record.Stored[record.Payer]{}, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindPayer, id: v.ID, clinic: record.NetworkClinic, value: v, expected: expected})
	return record.Stored[record.Payer]{Value: v, Revision: done}, err
}

// ListPayers returns one page of the network's payers, whom every clinic may name in a referral.
func (c *Casework) ListPayers(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Payer], error) {
	if _, err := clinicOf(p); err != nil {
		return record.List[record.Payer]{}, err
	}
	return listNetwork[record.Payer](ctx, c, record.KindPayer, page)
}

// PutMember stores a new revision. expected is the revision that it replaces, 0 for a new record; the same content again changes nothing.
func (c *Casework) PutMember(ctx context.Context, p authn.Principal, v record.Member, expected int) (record.Stored[record.Member], error) {
	var none record.Stored[record.Member]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return none, err
	}
	clinic, err := ownClinic(p, v.ClinicID)
	if err != nil {
		return none, err
	}
	v.ClinicID = clinic
	var wrong []fault.Violation
	for i, r := range v.Roles {
		if !r.Personal() {
			wrong = append(wrong, fault.Violation{Field: fmt.Sprintf("member.roles[%d]", i), Rule: "member.role",
				Text: "a member is evaluator, reviewer or clinic administrator"})
		}
	}
	if err := fault.InvalidFields(wrong); err != nil {
		return none, err
	}
	if err := c.notOneself(ctx, p, v, expected); err != nil {
		return none, err
	}
	done, err := c.put(ctx, p, putting{kind: record.KindMember, id: v.ID, clinic: clinic, value: v, expected: expected})
	return record.Stored[record.Member]{Value: v, Revision: done}, err
}

// notOneself keeps an administrator from changing their own roles or whether they have left: another administrator of the clinic or of the network
// does that.
//
// A revision beyond the newest is refused as well: it would let a caller write over what another administrator is about to store.
func (c *Casework) notOneself(ctx context.Context, p authn.Principal, v record.Member, expected int) error {
	if p.MemberID == "" || p.MemberID != v.ID {
		return nil
	}
	was, err := c.GetMember(ctx, p, v.ID)
	if err != nil {
		return err
	}
	if was.Value.Left != v.Left || !slices.Equal(roleSet(was.Value), roleSet(v)) || expected > was.Revision.Number {
		return fault.New(fault.Precondition, "OWN_MEMBERSHIP",
			"nobody changes their own roles or brings themselves back; another administrator of the clinic or of the network does")
	}
	return nil
}

func roleSet(m record.Member) []record.Role {
	return slices.Compact(slices.Sorted(slices.Values(m.Roles)))
}

// GetMember returns the newest revision.
func (c *Casework) GetMember(ctx context.Context, p authn.Principal, id string) (record.Stored[record.Member], error) {
	return get[record.Member](ctx, c, p, record.KindMember, id)
}

// ListMembers returns one page.
func (c *Casework) ListMembers(ctx context.Context, p authn.Principal, page record.Page) (record.List[record.Member], error) {
	return list[record.Member](ctx, c, p, record.KindMember, page)
}

// nameOf is a member's printed name as it stands now, or else the label of the credential.
func nameOf(ctx context.Context, tx *store.Tx, a record.Actor) (string, error) {
	if a.MemberID == "" {
		return a.Label, nil
	}
	row, err := newestOrNil(ctx, tx, record.KindMember, a.MemberID)
	if err != nil || row == nil {
		return a.Label, err
	}
	m, err := read[record.Member](record.KindMember, row.Body)
	return m.Name, err
}
