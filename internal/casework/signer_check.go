package casework

import (
	"context"
	"fmt"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

const (
	// freshSignIn is how long before a signature its signer may have given the credential to an issuer.
	freshSignIn = 5 * time.Minute
	// clockLeeway is how far an issuer's clock may be ahead.
	clockLeeway = 30 * time.Second
)

// CheckSigner is SignerCheck: the person who calls proves again who they are, for the result of that id (21 CFR 11.200: a signature uses at least two
// components; in one continuous time of access one of them is enough after the first). With a password: that of the member's login, and the code too
// unless the presented token was signed in for with two factors. With an ID token: one made for this result, whose nonce is its id, from a sign-in at the
// issuer in the last five minutes, of the same member. What was used is used up, with an entry. Failed attempts count as failed sign-ins.
func (c *Casework) CheckSigner(ctx context.Context, p authn.Principal, proof SignerProof, resultID string) error {
	if c.signIn == nil || p.MemberID == "" || p.ClinicID == "" {
		return fault.New(fault.Precondition, "NO_LOGIN", "only a member of the clinic signs, who has a login or is bound to an issuer")
	}
	i, err := c.signersIdentity(ctx, p, proof)
	if err != nil {
		return fmt.Errorf("check signer: %w", err)
	}
	key := loginKey(p.ClinicID, i.Login)
	if i.Login == "" {
		key = "signer:" + p.ClinicID + "/" + p.MemberID
	}
	if err := c.signIn.Attempts.Allow(ctx, key); err != nil {
		return fmt.Errorf("check signer: %w", err)
	}
	var spent passed
	if proof.IDToken != "" {
		i, spent, err = c.signerByIDToken(ctx, p, proof.IDToken, resultID)
	} else {
		spent, err = c.signerByPassword(ctx, p, i, proof)
	}
	if err == nil && spent.spent != "" {
		err = c.spendForSignature(ctx, p, i, spent, resultID)
	}
	_, err = ended(ctx, c, p, p.ClinicID, i.ID, key, struct{}{}, asProof(err))
	return err
}

// signersIdentity is the identity with the login by which a member proves a signature; none where it is proven by an ID token.
func (c *Casework) signersIdentity(ctx context.Context, p authn.Principal, proof SignerProof) (record.Identity, error) {
	if proof.IDToken != "" {
		return record.Identity{}, nil
	}
	var found record.Identity
	err := c.store.ReadClinic(ctx, p.ClinicID, func(tx *store.Tx) error {
		rows, err := tx.IdentitiesOfMember(ctx, p.MemberID)
		if err != nil {
			return err
		}
		for _, row := range rows {
			i, err := read[record.Identity](record.KindIdentity, row.Body)
			if err != nil {
				return err
			}
			if i.Login != "" && !i.Revoked {
				found = i
			}
		}
		return nil
	})
	if err == nil && found.ID == "" {
		err = fault.New(fault.Precondition, "NO_LOGIN", "the signer has no login whose password could be given; an administrator binds one, or sign with a fresh ID token")
	}
	return found, err
}

func (c *Casework) signerByPassword(ctx context.Context, p authn.Principal, i record.Identity, proof SignerProof) (passed, error) {
	known, missing, err := c.findLogin(ctx, p.ClinicID, i.Login)
	if err != nil {
		return passed{}, err
	}
	outcome, err := c.signIn.Passwords.Verify(ctx, known.password.Hash, proof.Password)
	switch {
	case err != nil:
		return passed{}, err
	case missing != nil:
		return passed{}, refusedSignIn(missing)
	case known.identity.MemberID != p.MemberID:
		return passed{}, refusedSignIn(errMeanwhile)
	case !outcome.Match:
		return passed{}, refusedSignIn(errPassword)
	case p.TwoFactors && proof.Code == "":
		return passed{}, nil
	}
	return c.proveCode(known, proof.Code)
}

func (c *Casework) signerByIDToken(ctx context.Context, p authn.Principal, idToken, resultID string) (record.Identity, passed, error) {
	if c.signIn.IDTokens == nil {
		return record.Identity{}, passed{}, refusedSignIn(errNoIssuers)
	}
	who, err := c.signIn.IDTokens.Verify(ctx, idToken)
	if err != nil {
		return record.Identity{}, passed{}, notGenuine(err)
	}
	var i record.Identity
	var there bool
	err = c.store.ReadClinic(ctx, p.ClinicID, func(tx *store.Tx) error {
		rows, err := tx.IdentitiesBySubject(ctx, who.Issuer, who.Subject)
		if err != nil {
			return err
		}
		i, there, err = liveIdentity(rows)
		return err
	})
	if err != nil {
		return record.Identity{}, passed{}, err
	}
	if !there || i.MemberID != p.MemberID || who.Nonce != resultID || !fresh(who, c.now()) {
		return i, passed{}, refusedSignIn(errOtherSigner)
	}
	return i, passed{what: "id-token", spent: idTokenID(who.Digest)}, nil
}

// fresh reports whether the person gave the credential to the issuer just now; a token that does not say when is not (OpenID Connect Core 1.0, section 2,
// auth_time).
func fresh(who openid.Identity, now time.Time) bool {
	age := now.Sub(who.AuthTime)
	return !who.AuthTime.IsZero() && age <= freshSignIn && age >= -clockLeeway
}

// spendForSignature uses a proof up, in a transaction of its own before that of the signature: a signature that then fails asks for a new code.
func (c *Casework) spendForSignature(ctx context.Context, p authn.Principal, i record.Identity, spent passed, resultID string) error {
	err := c.write(ctx, p.ClinicID, func(tx *store.Tx, head auditlog.Head) error {
		docs, err := c.spend(ctx, tx, i.ID, spent)
		if err != nil {
			return err
		}
		rows, err := docRows(docs...)
		if err != nil {
			return err
		}
		_, err = c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: p.ClinicID, Action: record.ActionProofSpend, Actor: p.Actor(),
			Subjects: append(identitySubjects(i), subject(record.KindResult, resultID)), Docs: rows, Last: true}, false)
		return err
	})
	return spentMeanwhile(err)
}
