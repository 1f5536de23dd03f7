package casework

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// tokenLife is the longest that a token works.
const tokenLife = 400 * 24 * time.Hour

// consoleOperator is who acts at the machine's console, where no credential is presented.
const consoleOperator = "console operator"

// CreateToken makes a token and returns its secret, which is stored nowhere. A clinic's administrator makes tokens of the own clinic: of a
// member, for roles that the member has, or of a station. The network's administrator makes those for any clinic, and tokens of payers
// and of the network.
func (c *Casework) CreateToken(ctx context.Context, p authn.Principal, in NewToken) (record.Stored[TokenView], string, error) {
	var none record.Stored[TokenView]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return none, "", err
	}
	switch {
	case p.Network && in.ClinicID == "":
		in.ClinicID = p.ClinicID
	case p.Network && p.ClinicID != "" && in.ClinicID != p.ClinicID:
		return none, "", fault.New(fault.Denied, "OTHER_CLINIC", "the token is of another clinic than the one named")
	case !p.Network && in.PayerID != "":
		return none, "", fault.New(fault.Denied, "NETWORK_ONLY", "only the network's administrator makes a payer's token")
	case !p.Network:
		clinic, err := ownClinic(p, in.ClinicID)
		if err != nil {
			return none, "", err
		}
		in.ClinicID = clinic
	}
	return c.createToken(ctx, p.Actor(), in)
}

// BootstrapToken makes a token for an operator at the machine's console, by the same rules, without a credential.
func (c *Casework) BootstrapToken(ctx context.Context, in NewToken) (record.Stored[TokenView], string, error) {
	return c.createToken(ctx, record.Actor{Label: consoleOperator}, in)
}

func (c *Casework) createToken(ctx context.Context, actor record.Actor, in NewToken) (record.Stored[TokenView], string, error) {
	var none record.Stored[TokenView]
	if err := fault.InvalidFields(tokenShape(in, c.now())); err != nil {
		return none, "", err
	}
	id, secret, hash, err := authn.Mint(c.rand)
	if err != nil {
		return none, "", fmt.Errorf("create token: %w", err)
	}
	token := record.Token{ID: id, ClinicID: in.ClinicID, PayerID: in.PayerID, MemberID: in.MemberID, Label: in.Label,
		Roles: in.Roles, ExpiresAt: in.ExpiresAt, SecretHash: hash}
	body, err := canon.Marshal(token)
	if err != nil {
		return none, "", textFault(err)
	}
	clinic := in.ClinicID
	if clinic == "" {
		clinic = record.NetworkClinic
	}
	done := record.Stored[TokenView]{Value: TokenView{Token: token}}
	err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		wrong, err := holder(ctx, tx, in)
		if err != nil {
			return err
		}
		if err := fault.InvalidFields(wrong); err != nil {
			return err
		}
		entry, err := c.log.Commit(ctx, tx, head, auditlog.Draft{
			ClinicID: clinic, Action: record.ActionTokenCreate, Actor: actor, Subjects: tokenSubjects(token),
			Docs: []store.DocRow{{Kind: record.KindToken, ID: id, Revision: 1, Body: body}}, Last: true,
		}, false)
		done.Revision = revisionOf(1, entry)
		return err
	})
	if err != nil {
		return none, "", fmt.Errorf("create token: %w", noClinic(err))
	}
	return done, secret, nil
}

// noClinic makes an unknown clinic of a request a broken rule of its field.
func noClinic(err error) error {
	if fault.Is(err, fault.NotFound) {
		return invalid("clinic_id", "clinic.exists", "the clinic is one of the network's")
	}
	return err
}

func tokenSubjects(t record.Token) []string {
	subjects := []string{subject(record.KindToken, t.ID)}
	if t.MemberID != "" {
		subjects = append(subjects, subject(record.KindMember, t.MemberID))
	}
	if t.PayerID != "" {
		subjects = append(subjects, subject(record.KindPayer, t.PayerID))
	}
	if t.IdentityID != "" {
		subjects = append(subjects, subject(record.KindIdentity, t.IdentityID))
	}
	return subjects
}

// tokenShape checks what a request says of the token by itself: whose it is, with roles that such a holder can have, and when it ends.
func tokenShape(in NewToken, now time.Time) []fault.Violation {
	var wrong []fault.Violation
	demand := func(ok bool, field, rule, text string) {
		if !ok {
			wrong = append(wrong, fault.Violation{Field: field, Rule: rule, Text: text})
		}
	}
	only := func(allowed ...record.Role) bool {
		return len(in.Roles) > 0 && !slices.ContainsFunc(in.Roles, func(r record.Role) bool { return !slices.Contains(allowed, r) })
	}
	demand(in.ClinicID == "" || in.PayerID == "", "payer_id", "token.one_holder", "a token is of a clinic or of a payer, not of both")
	demand(in.MemberID == "" || in.ClinicID != "", "member_id", "token.member_clinic", "a member's token names the clinic")
	demand(in.ClinicID != record.NetworkClinic, "clinic_id", "clinic.id_reserved", "a token of the network names no clinic")
	switch {
	case in.MemberID != "":
		demand(only(record.RoleEvaluator, record.RoleReviewer, record.RoleClinicAdmin), "roles", "token.member_roles",
			"a member's token is for evaluator, reviewer or clinic administrator")
	case in.ClinicID != "":
		demand(only(record.RoleStation), "roles", "token.station_role", "a clinic's token without a member is for a station")
	case in.PayerID != "":
		demand(only(record.RolePayer), "roles", "token.payer_role", "a payer's token is for the payer's system")
	default:
		demand(only(record.RoleNetworkAuditor, record.RoleNetworkAdmin), "roles", "token.network_roles",
			"a network token is for auditor or administrator of the network")
	}
	demand(strings.TrimSpace(in.Label) != "", "label", "token.label", "a token has a label")
	ends := in.ExpiresAt.Std()
	demand(ends.After(now) && !ends.After(now.Add(tokenLife)), "expires_at", "token.expires", "a token ends in the future, at most 400 days ahead")
	return wrong
}

// holder checks the member or payer that a token is for.
func holder(ctx context.Context, tx *store.Tx, in NewToken) ([]fault.Violation, error) {
	if in.PayerID != "" {
		return broken(ctx, tx, exists{record.KindPayer, in.PayerID, "payer_id", "the payer is one of the network's"})
	}
	if in.MemberID == "" {
		return nil, nil
	}
	row, err := newestOrNil(ctx, tx, record.KindMember, in.MemberID)
	if err != nil {
		return nil, err
	}
	if row == nil {
		return []fault.Violation{{Field: "member_id", Rule: "member.exists", Text: "the member is one of the clinic's"}}, nil
	}
	m, err := read[record.Member](record.KindMember, row.Body)
	if err != nil {
		return nil, err
	}
	var wrong []fault.Violation
	if m.Left {
		wrong = append(wrong, fault.Violation{Field: "member_id", Rule: "member.present", Text: "the member must not have left the clinic"})
	}
	for i, r := range in.Roles {
		if !hasRole(m, r) {
			wrong = append(wrong, fault.Violation{Field: fmt.Sprintf("roles[%d]", i), Rule: "token.member_has_role", Text: "the member must have the role; an administrator gives it with the member (PutMember)"})
		}
	}
	return wrong, nil
}

// RevokeToken ends a token at once, also one that was succeeded and still works; a token that has ended stays so, with its first reason.
func (c *Casework) RevokeToken(ctx context.Context, p authn.Principal, id, reason string) (record.Stored[TokenView], error) {
	var none, done record.Stored[TokenView]
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return none, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return none, err
	}
	if strings.TrimSpace(reason) == "" {
		return none, invalid("reason", "revocation.reason", "a revocation says why")
	}
	err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		done, err = c.revokeUnder(ctx, tx, head, p, clinic, id, reason)
		return err
	})
	if err != nil {
		return none, fmt.Errorf("revoke token: %w", err)
	}
	return done, nil
}

func (c *Casework) revokeUnder(ctx context.Context, tx *store.Tx, head auditlog.Head, p authn.Principal, clinic, id, reason string) (record.Stored[TokenView], error) {
	var done record.Stored[TokenView]
	row, err := tx.Newest(ctx, record.KindToken, id)
	if err != nil {
		return done, err
	}
	token, err := read[record.Token](record.KindToken, row.Body)
	if err != nil {
		return done, err
	}
	done = record.Stored[TokenView]{Value: TokenView{Token: token}, Revision: rowRevision(row)}
	draft, revokedAt, err := c.ending(ctx, tx, clinic, p.Actor(), token, reason)
	done.Value.RevokedAt = revokedAt
	if err != nil || draft == nil {
		return done, err
	}
	draft.Last = true
	_, err = c.log.Commit(ctx, tx, head, *draft, false)
	return done, err
}

// ending is what ends a token at once: a first revocation, or a second where the first lies ahead because the token was succeeded. It is nil for a token
// that has ended already. The moment is that at which the token ended or ends.
func (c *Casework) ending(ctx context.Context, tx *store.Tx, clinic string, actor record.Actor, token record.Token, reason string) (*auditlog.Draft, record.Time, error) {
	was, err := newestOrNil(ctx, tx, record.KindTokenRevocation, token.ID)
	if err != nil {
		return nil, record.Time{}, err
	}
	revocation, revision := record.TokenRevocation{TokenID: token.ID, RevokedAt: record.TimeOf(c.now()), Reason: reason}, 1
	if was != nil {
		before, err := read[record.TokenRevocation](record.KindTokenRevocation, was.Body)
		if err != nil || before.Ended(revocation.RevokedAt.Std()) {
			return nil, before.RevokedAt, err
		}
		revision = was.Revision + 1
	}
	body, err := canon.Marshal(revocation)
	if err != nil {
		return nil, record.Time{}, textFault(err)
	}
	return &auditlog.Draft{
		ClinicID: clinic, Action: record.ActionTokenRevoke, Actor: actor, Reason: reason, Subjects: tokenSubjects(token),
		Docs: []store.DocRow{{Kind: record.KindTokenRevocation, ID: token.ID, Revision: revision, Body: body}},
	}, revocation.RevokedAt, nil
}

// ListTokens returns one page of the tokens of the clinic, or of the network where none is named.
func (c *Casework) ListTokens(ctx context.Context, p authn.Principal, page record.Page) (record.List[TokenView], error) {
	var out record.List[TokenView]
	size, err := sizeOf(page)
	if err != nil {
		return out, err
	}
	if err := idCursor(record.KindToken, page.Cursor); err != nil {
		return out, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return out, err
	}
	var tokens, revocations []store.Row
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		if tokens, err = tx.ListNewest(ctx, record.KindToken, page.Cursor, size+1); err != nil {
			return err
		}
		// A revocation has its token's id, so those of this page are among the first as many.
		revocations, err = tx.ListNewest(ctx, record.KindTokenRevocation, page.Cursor, len(tokens))
		return err
	})
	if err != nil {
		return out, fmt.Errorf("list token: %w", err)
	}
	revoked := make(map[string]record.Time, len(revocations))
	for _, row := range revocations {
		v, err := read[record.TokenRevocation](record.KindTokenRevocation, row.Body)
		if err != nil {
			return out, err
		}
		revoked[row.ID] = v.RevokedAt
	}
	return pageOf(record.KindToken, tokens, size, func(row store.Row) (TokenView, error) {
		t, err := read[record.Token](record.KindToken, row.Body)
		return TokenView{Token: t, RevokedAt: revoked[row.ID]}, err
	})
}
