package casework

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// plainLogin is how a login looks, in the one spelling that it has.
var plainLogin = regexp.MustCompile(`^[a-z0-9][a-z0-9._@-]{1,99}$`)

// IdentityView is an identity as it is shown; SetUp says that password and second factor are there.
type IdentityView struct {
	Identity record.Identity
	SetUp    bool
}

// own reports whether an identity is the caller's.
func own(p authn.Principal, i record.Identity) bool {
	return p.IdentityID != "" && p.IdentityID == i.ID || p.MemberID != "" && p.MemberID == i.MemberID
}

func ownIdentity() error {
	return fault.New(fault.Precondition, "OWN_IDENTITY",
		"nobody binds, changes or sets up anew what proves themselves; another administrator of the clinic or of the network does")
}

func identitySubjects(i record.Identity) []string {
	subjects := []string{subject(record.KindIdentity, i.ID)}
	if i.MemberID != "" {
		subjects = append(subjects, subject(record.KindMember, i.MemberID))
	}
	if i.PayerID != "" {
		subjects = append(subjects, subject(record.KindPayer, i.PayerID))
	}
	return subjects
}

// PutIdentity stores a new revision of an identity: of a member in the member's clinic, of a payer or a person of the network in the network's records.
// Only whether it is revoked can change; revoking ends its tokens at once. expected is the revision that it replaces, 0 for a new one.
func (c *Casework) PutIdentity(ctx context.Context, p authn.Principal, v record.Identity, expected int) (record.Stored[IdentityView], error) {
	var none record.Stored[IdentityView]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return none, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return none, err
	}
	if own(p, v) {
		return none, ownIdentity()
	}
	return c.putIdentity(ctx, p, clinic, v, expected)
}

// BootstrapIdentity stores a new identity for an operator at the machine's console, by the same rules; an empty clinic is the network.
func (c *Casework) BootstrapIdentity(ctx context.Context, clinicID string, v record.Identity) (record.Stored[IdentityView], error) {
	return c.putIdentity(ctx, authn.Principal{Label: consoleOperator}, orNetwork(clinicID), v, 0)
}

func (c *Casework) putIdentity(ctx context.Context, p authn.Principal, clinic string, v record.Identity, expected int) (record.Stored[IdentityView], error) {
	var none record.Stored[IdentityView]
	v.ClinicID = clinic
	if clinic == record.NetworkClinic {
		v.ClinicID = ""
	}
	slices.Sort(v.NetworkRoles)
	if err := fault.InvalidFields(identityShape(v)); err != nil {
		return none, err
	}
	in := putting{kind: record.KindIdentity, id: v.ID, clinic: clinic, value: v, expected: expected,
		check: func(ctx context.Context, tx *store.Tx) ([]fault.Violation, error) { return checkIdentity(ctx, tx, v) }}
	body, err := canon.Marshal(v)
	if err != nil {
		return none, textFault(err)
	}
	view := record.Stored[IdentityView]{Value: IdentityView{Identity: v}}
	err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		if view.Revision, err = c.putUnder(ctx, tx, head, p, in, body); err != nil {
			return err
		}
		return nil
	})
	if err != nil {
		return none, fmt.Errorf("put identity: %w", noClinic(err))
	}
	view.Value.SetUp, err = c.isSetUp(ctx, clinic, v.ID)
	return view, err
}

func (c *Casework) isSetUp(ctx context.Context, clinic, id string) (set bool, err error) {
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		row, err := newestOrNil(ctx, tx, record.KindPassword, id)
		set = row != nil
		return err
	})
	return set, err
}

// identityShape checks an identity by itself: whose it is, and by what it is proven.
func identityShape(v record.Identity) []fault.Violation {
	var wrong []fault.Violation
	demand := func(ok bool, field, rule, text string) {
		if !ok {
			wrong = append(wrong, fault.Violation{Field: "identity." + field, Rule: rule, Text: text})
		}
	}
	count := func(values ...string) (n int) {
		for _, s := range values {
			if s != "" {
				n++
			}
		}
		return n
	}
	demand(count(v.MemberID, v.PayerID, v.NetworkName) == 1, "member_id", "identity.one_holder", "an identity is a member's, a payer's, or that of a person of the network")
	demand((v.MemberID != "") == (v.ClinicID != ""), "member_id", "identity.clinic", "a member's identity names the clinic, and no other does; identities of payers and of people of the network are for a network administrator, who names no clinic")
	demand((v.NetworkName != "") == (len(v.NetworkRoles) > 0), "network_roles", "identity.network_roles", "a person of the network, and nobody else, has roles of the network")
	demand(!slices.ContainsFunc(v.NetworkRoles, func(r record.Role) bool { return r != record.RoleNetworkAuditor && r != record.RoleNetworkAdmin }),
		"network_roles", "identity.network_role", "the roles of the network are auditor and administrator")
	demand(count(v.Login, v.Issuer, v.CertificateSHA256) == 1 && (v.Issuer == "") == (v.Subject == ""), "proof", "identity.one_proof",
		"an identity is proven by a login, by issuer and subject, or by a certificate")
	demand(v.Login == "" || plainLogin.MatchString(v.Login), "login", "identity.login", "a login has 2 to 100 small letters, digits, points, dashes, underscores and at signs")
	demand(len(v.Issuer) <= 300 && len(v.Subject) <= 255, "openid", "identity.openid", "an issuer has at most 300 characters, a subject at most 255")
	demand((v.PayerID != "") == (v.CertificateSHA256 != ""), "certificate_sha256", "identity.certificate", "a payer's system shows a certificate, and nobody else does")
	demand(v.NetworkName == "" || strings.TrimSpace(v.NetworkName) != "" && len([]rune(v.NetworkName)) <= 100, "network_name", "identity.name",
		"a name has 1 to 100 characters")
	return wrong
}

// checkIdentity holds an identity against what is stored: its holder is there, what proves it proves nobody else, and nothing but Revoked changes. It runs
// under the head of the log, so that no two are bound at once.
func checkIdentity(ctx context.Context, tx *store.Tx, v record.Identity) ([]fault.Violation, error) {
	wrong, err := broken(ctx, tx, exists{record.KindMember, v.MemberID, "identity.member_id", "the member is one of the clinic's"},
		exists{record.KindPayer, v.PayerID, "identity.payer_id", "the payer is one of the network's"})
	if err != nil {
		return nil, err
	}
	was, revision, err := newestOf[record.Identity](ctx, tx, record.KindIdentity, v.ID)
	if err != nil {
		return nil, err
	}
	if revision > 0 && !sameButRevoked(was, v) {
		wrong = append(wrong, fault.Violation{Field: "identity", Rule: "identity.immutable", Text: "of an identity only `revoked` changes; bind another one"})
	}
	if v.Revoked {
		return wrong, nil
	}
	taken, err := boundElsewhere(ctx, tx, v)
	if err != nil || !taken {
		return wrong, err
	}
	return append(wrong, fault.Violation{Field: "identity.proof", Rule: "identity.taken",
		Text: "what proves this identity proves another one that is not revoked, or the member has a login already"}), nil
}

func sameButRevoked(a, b record.Identity) bool {
	a.Revoked, b.Revoked = false, false
	roles := slices.Equal(a.NetworkRoles, b.NetworkRoles)
	a.NetworkRoles, b.NetworkRoles = nil, nil
	x, errX := canon.Marshal(a)
	y, errY := canon.Marshal(b)
	return roles && errX == nil && errY == nil && string(x) == string(y)
}

// boundElsewhere reports whether another identity that is not revoked has the same proof, or the same member another login: a signature asks for the one
// that the member has.
func boundElsewhere(ctx context.Context, tx *store.Tx, v record.Identity) (bool, error) {
	var rows []store.Row
	var err error
	switch {
	case v.Login != "":
		rows, err = tx.IdentitiesByLogin(ctx, v.Login)
	case v.Issuer != "":
		rows, err = tx.IdentitiesBySubject(ctx, v.Issuer, v.Subject)
	default:
		rows, err = tx.IdentitiesByCertificate(ctx, v.CertificateSHA256)
	}
	if err != nil {
		return false, err
	}
	if v.Login != "" && v.MemberID != "" {
		more, err := tx.IdentitiesOfMember(ctx, v.MemberID)
		if err != nil {
			return false, err
		}
		for _, row := range more {
			if i, err := read[record.Identity](record.KindIdentity, row.Body); err != nil || i.Login != "" && !i.Revoked && i.ID != v.ID {
				return true, err
			}
		}
	}
	rows = slices.DeleteFunc(rows, func(r store.Row) bool { return r.ID == v.ID })
	_, taken, err := liveIdentity(rows)
	return taken, err
}

// ListIdentities returns one page of the identities of the clinic, or of the network where none is named.
func (c *Casework) ListIdentities(ctx context.Context, p authn.Principal, page record.Page) (record.List[IdentityView], error) {
	var out record.List[IdentityView]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin, record.RoleNetworkAuditor); err != nil {
		return out, err
	}
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	if err := idCursor(record.KindIdentity, page.Cursor); err != nil {
		return out, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return out, err
	}
	var identities, passwords []store.Row
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		if identities, err = tx.ListNewest(ctx, record.KindIdentity, page.Cursor, size+1); err != nil {
			return err
		}
		// A password has its identity's id, so those of this page are among the first as many.
		passwords, err = tx.ListNewest(ctx, record.KindPassword, page.Cursor, len(identities))
		return err
	})
	if err != nil {
		return out, fmt.Errorf("list identity: %w", err)
	}
	set := make(map[string]bool, len(passwords))
	for _, row := range passwords {
		set[row.ID] = true
	}
	return pageOf(record.KindIdentity, identities, size, func(row store.Row) (IdentityView, error) {
		i, err := read[record.Identity](record.KindIdentity, row.Body)
		return IdentityView{Identity: i, SetUp: set[row.ID]}, err
	})
}
