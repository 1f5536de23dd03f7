package casework

import (
	"context"
	"errors"
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/otp"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// refusedProof is the answer to who is signed in and did not prove it again.
func refusedProof(cause error) error {
	return fault.Wrap(fault.Denied, "PROOF_REFUSED", "what was to prove again who you are was refused: look at password and code, or at the ID token", cause)
}

// asProof makes a refused sign-in a refused proof: the caller's token is sound.
func asProof(err error) error {
	var f *fault.Error
	if errors.As(err, &f) && f.Reason == "SIGN_IN_REFUSED" {
		return refusedProof(f.Cause)
	}
	return err
}

// ownLogin is the identity with a login for which the presented token was signed in.
func (c *Casework) ownLogin(ctx context.Context, p authn.Principal) (record.Identity, error) {
	none := fault.New(fault.Precondition, "NO_LOGIN", "the token was not signed in for with a password; sign in with the login first")
	if c.signIn == nil || p.IdentityID == "" {
		return record.Identity{}, none
	}
	var i record.Identity
	err := c.store.ReadClinic(ctx, logOf(p), func(tx *store.Tx) (err error) {
		i, _, err = newestOf[record.Identity](ctx, tx, record.KindIdentity, p.IdentityID)
		return err
	})
	if err == nil && (i.Login == "" || i.Revoked) {
		err = none
	}
	return i, err
}

// withOwnLogin proves password and code of the own login again and then makes what change asks for, under the head, together with what the proof spends.
func (c *Casework) withOwnLogin(ctx context.Context, p authn.Principal, in LoginProof,
	change func(ctx context.Context, tx *store.Tx, l login, spent []newDoc) ([]auditlog.Draft, error)) error {
	i, err := c.ownLogin(ctx, p)
	if err != nil {
		return err
	}
	in.Login = i.Login
	clinic := logOf(p)
	key := loginKey(clinic, in.Login)
	if err := c.signIn.Attempts.Allow(ctx, key); err != nil {
		return err
	}
	known, proof, err := c.prove(ctx, clinic, in)
	if err == nil && known.identity.ID != i.ID {
		err = refusedSignIn(errMeanwhile)
	}
	if err == nil {
		err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
			now := login{clinic: clinic}
			if now.identity, _, err = newestOf[record.Identity](ctx, tx, record.KindIdentity, i.ID); err != nil {
				return err
			}
			if err := now.read(ctx, tx); err != nil {
				return err
			}
			if !known.same(now) {
				return refusedSignIn(errMeanwhile)
			}
			spent, err := c.spend(ctx, tx, i.ID, proof)
			if err != nil {
				return err
			}
			drafts, err := change(ctx, tx, now, spent)
			if err != nil {
				return err
			}
			_, err = c.log.CommitAll(ctx, tx, head, drafts)
			return err
		})
	}
	_, err = ended(ctx, c, p, clinic, i.ID, key, struct{}{}, asProof(spentMeanwhile(err)))
	return err
}

// ChangePassword changes the password of the login that the presented token was signed in for. Its other tokens end.
func (c *Casework) ChangePassword(ctx context.Context, p authn.Principal, in LoginProof, newPassword string) error {
	i, err := c.ownLogin(ctx, p)
	if err != nil {
		return fmt.Errorf("change password: %w", err)
	}
	hashed, err := c.signIn.Passwords.Hash(ctx, newPassword, i.Login, c.signIn.Service)
	if err != nil {
		return fmt.Errorf("change password: %w", renamed(err, "password", "new_password"))
	}
	err = c.withOwnLogin(ctx, p, in, func(ctx context.Context, tx *store.Tx, l login, spent []newDoc) ([]auditlog.Draft, error) {
		docs, err := docRows(append(spent, newDoc{record.KindPassword, i.ID, l.passwordRev + 1, record.Password{IdentityID: i.ID, Hash: hashed}})...)
		if err != nil {
			return nil, err
		}
		set := auditlog.Draft{ClinicID: l.clinic, Action: record.ActionPasswordSet, Actor: p.Actor(), Subjects: identitySubjects(l.identity), Docs: docs}
		return c.endingAll(ctx, tx, l, p.Actor(), p.TokenID, "the password was changed", []auditlog.Draft{set})
	})
	if err != nil {
		return fmt.Errorf("change password: %w", err)
	}
	return nil
}

// renamed gives violations the name that the field has in the request.
func renamed(err error, from, to string) error {
	var f *fault.Error
	if !errors.As(err, &f) {
		return err
	}
	out := *f
	out.Violations = nil
	for _, v := range f.Violations {
		if v.Field == from {
			v.Field = to
		}
		out.Violations = append(out.Violations, v)
	}
	return &out
}

// RenewRecoveryCodes makes new recovery codes for that login; those from before are gone. They are shown once.
func (c *Casework) RenewRecoveryCodes(ctx context.Context, p authn.Principal, in LoginProof) ([]string, error) {
	codes, hashes, err := otp.NewRecovery(c.rand)
	if err != nil {
		return nil, fmt.Errorf("renew recovery codes: %w", err)
	}
	err = c.withOwnLogin(ctx, p, in, func(_ context.Context, _ *store.Tx, l login, spent []newDoc) ([]auditlog.Draft, error) {
		next := l.factor
		next.Set, next.Recovery = l.factorRev+1, hashes
		docs, err := docRows(append(spent, newDoc{record.KindSecondFactor, l.identity.ID, l.factorRev + 1, next})...)
		return []auditlog.Draft{{ClinicID: l.clinic, Action: record.ActionRecoveryRenew, Actor: p.Actor(), Subjects: identitySubjects(l.identity), Docs: docs,
			Last: true}}, err
	})
	if err != nil {
		return nil, fmt.Errorf("renew recovery codes: %w", err)
	}
	return codes, nil
}
