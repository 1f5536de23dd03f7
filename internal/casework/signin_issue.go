package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// signInLabel names a token that was signed in for by a member, whose name the log knows.
const signInLabel = "sign-in"

// issue makes the token of a login that was proven, in one transaction with what the proof spends. What the proof was held against must still stand.
func (c *Casework) issue(ctx context.Context, p authn.Principal, known login, proof passed) (SignedIn, error) {
	var done SignedIn
	err := c.write(ctx, known.clinic, func(tx *store.Tx, head auditlog.Head) error {
		now := login{clinic: known.clinic}
		var revision int
		var err error
		if now.identity, revision, err = newestOf[record.Identity](ctx, tx, record.KindIdentity, known.identity.ID); err != nil {
			return err
		}
		if now.roles, err = rolesNow(ctx, tx, now.identity); err != nil {
			return err
		}
		if err := now.read(ctx, tx); err != nil {
			return err
		}
		if revision == 0 || !known.same(now) || len(now.roles) == 0 {
			return refusedSignIn(errMeanwhile)
		}
		done, err = c.issueUnder(ctx, tx, head, p, now, proof)
		return err
	})
	if err != nil {
		return SignedIn{}, fmt.Errorf("make token: %w", spentMeanwhile(err))
	}
	return done, nil
}

func (c *Casework) issueUnder(ctx context.Context, tx *store.Tx, head auditlog.Head, p authn.Principal, l login, proof passed) (SignedIn, error) {
	id, secret, hash, err := authn.Mint(c.rand)
	if err != nil {
		return SignedIn{}, err
	}
	docs, err := c.spend(ctx, tx, l.identity.ID, proof)
	if err != nil {
		return SignedIn{}, err
	}
	left, err := recoveryLeft(ctx, tx, l)
	if err != nil {
		return SignedIn{}, err
	}
	if proof.recovery {
		left--
	}
	if proof.rehashed != "" {
		docs = append(docs, newDoc{record.KindPassword, l.identity.ID, l.passwordRev + 1, record.Password{IdentityID: l.identity.ID, Hash: proof.rehashed}})
	}
	token := record.Token{ID: id, MemberID: l.identity.MemberID, ClinicID: l.identity.ClinicID, Label: signInLabel, Roles: l.roles,
		ExpiresAt: c.expiry(c.now()), SecretHash: hash, IdentityID: l.identity.ID, TwoFactors: proof.twoFactor}
	if l.identity.NetworkName != "" {
		token.Label = l.identity.NetworkName
	}
	rows, err := docRows(append(docs, newDoc{record.KindToken, id, 1, token})...)
	if err != nil {
		return SignedIn{}, err
	}
	entry, err := c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: l.clinic, Action: record.ActionTokenCreate,
		Actor: actorOf(p, l.identity, id, token.Label), Subjects: tokenSubjects(token), Docs: rows, Last: true}, false)
	return SignedIn{Token: record.Stored[TokenView]{Value: TokenView{Token: token}, Revision: revisionOf(1, entry)}, Secret: secret, RecoveryLeft: left}, err
}

// SignInWithIDToken signs in with an ID token of an issuer that is configured (OpenID Connect Core 1.0), at a clinic or, where none is named, at the
// network. A token is taken once, wherever it is shown. A forged one cannot be guessed, so that attempts are bound by address alone.
func (c *Casework) SignInWithIDToken(ctx context.Context, p authn.Principal, clinicID, idToken string) (SignedIn, error) {
	if c.signIn == nil || c.signIn.IDTokens == nil {
		return SignedIn{}, refusedSignIn(errNoIssuers)
	}
	who, err := c.signIn.IDTokens.Verify(ctx, idToken)
	if err != nil {
		return SignedIn{}, notGenuine(err)
	}
	clinic := orNetwork(clinicID)
	var known login
	var missing error
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.IdentitiesBySubject(ctx, who.Issuer, who.Subject)
		if err != nil {
			return err
		}
		known, missing, err = loginOf(ctx, tx, rows)
		return err
	})
	switch {
	case err != nil:
		return SignedIn{}, fmt.Errorf("sign in: %w", err)
	case missing == errNoLogin:
		return SignedIn{}, refusedSignIn(errSubject)
	case missing != nil:
		return SignedIn{}, refusedSignIn(missing)
	}
	return c.issue(ctx, p, known, passed{what: "id-token", spent: idTokenID(who.Digest), twoFactor: who.TwoFactors})
}

func idTokenID(digest string) string { return "id-token/" + digest }

// notGenuine makes every refusal of an ID token the uniform one. Where it cannot be told (the issuer does not answer), that is said.
func notGenuine(err error) error {
	if fault.Is(err, fault.Unauthenticated) {
		return refusedSignIn(err)
	}
	return fmt.Errorf("verify ID token: %w", err)
}
