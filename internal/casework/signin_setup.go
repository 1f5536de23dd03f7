package casework

import (
	"context"
	"fmt"
	"strings"
	"time"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/otp"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// setupLife is how long a setup code is good.
const setupLife = 24 * time.Hour

// setupLabel names in the log who sets up a login.
const setupLabel = "holder of a setup code"

// SetUp is the second factor that somebody is to put into an authenticator app: the secret in base32, and as an otpauth URI.
type SetUp struct{ Secret, URI string }

// IssuedCode is a setup code, shown once, and when it expires.
type IssuedCode struct {
	Code      string
	ExpiresAt record.Time
}

// IssueSetupCode makes a setup code for a login; one from before is gone. What the login had stays good until the new one is confirmed. Nobody issues one
// to themselves: who has got hold of somebody's token would get the login with it.
func (c *Casework) IssueSetupCode(ctx context.Context, p authn.Principal, identityID, reason string) (IssuedCode, error) {
	if err := need(p, record.RoleClinicAdmin, record.RoleNetworkAdmin); err != nil {
		return IssuedCode{}, err
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return IssuedCode{}, err
	}
	return c.issueSetupCode(ctx, p, p.Actor(), clinic, identityID, reason)
}

// BootstrapSetupCode is IssueSetupCode for an operator at the machine's console; an empty clinic is the network.
func (c *Casework) BootstrapSetupCode(ctx context.Context, clinicID, identityID, reason string) (IssuedCode, error) {
	return c.issueSetupCode(ctx, authn.Principal{}, record.Actor{Label: consoleOperator}, orNetwork(clinicID), identityID, reason)
}

func (c *Casework) issueSetupCode(ctx context.Context, p authn.Principal, actor record.Actor, clinic, identityID, reason string) (IssuedCode, error) {
	if c.signIn == nil || !c.signIn.Secrets.Any() {
		return IssuedCode{}, fault.New(fault.Precondition, "SIGN_IN_NOT_SET_UP", "this service has no key for second factors, so nobody signs in with a password; its operator has to set one up")
	}
	if strings.TrimSpace(reason) == "" {
		return IssuedCode{}, invalid("reason", "setup_code.reason", "a setup code is issued for a reason")
	}
	codes, hashes, err := otp.NewRecovery(c.rand)
	if err != nil {
		return IssuedCode{}, fmt.Errorf("issue setup code: %w", err)
	}
	issued := IssuedCode{Code: codes[0], ExpiresAt: record.TimeOf(c.now().Add(setupLife))}
	err = c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		row, err := tx.Newest(ctx, record.KindIdentity, identityID)
		if err != nil {
			return err
		}
		i, err := read[record.Identity](record.KindIdentity, row.Body)
		if err != nil {
			return err
		}
		switch {
		case own(p, i):
			return ownIdentity()
		case i.Login == "" || i.Revoked:
			return fault.New(fault.Precondition, "NO_LOGIN", "the identity is not a login that works, so there is nothing to set up")
		}
		_, revision, err := newestOf[record.SetupCode](ctx, tx, record.KindSetupCode, identityID)
		if err != nil {
			return err
		}
		docs, err := docRows(newDoc{record.KindSetupCode, identityID, revision + 1,
			record.SetupCode{IdentityID: identityID, CodeHash: hashes[0], ExpiresAt: issued.ExpiresAt}})
		if err != nil {
			return err
		}
		_, err = c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: clinic, Action: record.ActionSetupCodeIssue, Actor: actor, Reason: reason,
			Subjects: identitySubjects(i), Docs: docs, Last: true}, false)
		return err
	})
	if err != nil {
		return IssuedCode{}, fmt.Errorf("issue setup code: %w", err)
	}
	return issued, nil
}

// SetUpSignIn takes a password by a setup code and answers a new second factor. Neither is good before ConfirmSetUp; until the code is used up it may be
// repeated, and the last time counts. The password is judged and hashed first, so that the work tells nobody whether there is such a login.
func (c *Casework) SetUpSignIn(ctx context.Context, p authn.Principal, clinicID, name, code, newPassword string) (SetUp, error) {
	if c.signIn == nil {
		return SetUp{}, refusedSignIn(errNoLogin)
	}
	clinic := orNetwork(clinicID)
	key := setupKey(clinic, name)
	if err := c.signIn.Attempts.Allow(ctx, key); err != nil {
		return SetUp{}, fmt.Errorf("set up sign-in: %w", err)
	}
	known, err := c.bySetupCode(ctx, clinic, name, code, func() (string, error) {
		return c.signIn.Passwords.Hash(ctx, newPassword, name, c.signIn.Service)
	})
	var done SetUp
	if err == nil {
		done, err = c.openSetup(ctx, p, known)
	}
	return ended(ctx, c, p, clinic, known.identity.ID, key, done, err)
}

// setupKey names a login's setup for the count of attempts: who guesses passwords keeps nobody from setting up anew.
func setupKey(clinic, login string) string { return "setup:" + clinic + "/" + login }

// bySetupCode finds the login whose setup code was given, with the hash of the new password in its setup.
func (c *Casework) bySetupCode(ctx context.Context, clinic, name, code string, hash func() (string, error)) (login, error) {
	hashed, err := hash()
	if err != nil {
		return login{}, err
	}
	known, missing, err := c.findLogin(ctx, clinic, name)
	if err != nil {
		return login{}, err
	}
	if missing != nil && missing != errNotSetUp {
		return known, refusedSignIn(missing)
	}
	if err := c.matchSetup(known, code); err != nil {
		return known, err
	}
	known.setup.Password = hashed
	return known, nil
}

// matchSetup holds a setup code against the stored one.
func (c *Casework) matchSetup(l login, code string) error {
	var hashes []string
	if l.setupRev > 0 && !l.setup.Used && c.now().Before(l.setup.ExpiresAt.Std()) {
		hashes = []string{l.setup.CodeHash}
	}
	if _, err := otp.MatchRecovery(hashes, code); err != nil {
		return refusedSignIn(errSetupCode)
	}
	return nil
}

func (c *Casework) openSetup(ctx context.Context, p authn.Principal, l login) (SetUp, error) {
	secret, err := otp.Enrol(c.rand)
	if err != nil {
		return SetUp{}, err
	}
	uri, err := secret.URI(c.signIn.Service, l.identity.Login)
	if err != nil {
		return SetUp{}, err
	}
	sealed, err := c.signIn.Secrets.Seal(c.rand, l.identity.ID, secret.Bytes())
	if err != nil {
		return SetUp{}, err
	}
	next := l.setup
	next.Secret = &sealed
	docs, err := docRows(newDoc{record.KindSetupCode, l.identity.ID, l.setupRev + 1, next})
	if err != nil {
		return SetUp{}, err
	}
	err = c.write(ctx, l.clinic, func(tx *store.Tx, head auditlog.Head) error {
		if err := stillSetup(ctx, tx, l); err != nil {
			return err
		}
		_, err := c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: l.clinic, Action: record.ActionSetupCodeOpen,
			Actor: actorOf(p, l.identity, "", setupLabel), Subjects: identitySubjects(l.identity), Docs: docs, Last: true}, false)
		return err
	})
	return SetUp{Secret: secret.Text(), URI: uri}, err
}

// stillSetup reports under the head whether identity and setup code stand as they were.
func stillSetup(ctx context.Context, tx *store.Tx, l login) error {
	i, _, err := newestOf[record.Identity](ctx, tx, record.KindIdentity, l.identity.ID)
	if err != nil {
		return err
	}
	_, revision, err := newestOf[record.SetupCode](ctx, tx, record.KindSetupCode, l.identity.ID)
	if err != nil {
		return err
	}
	if i.Revoked || revision != l.setupRev {
		return refusedSignIn(errMeanwhile)
	}
	return nil
}

// ConfirmSetUp takes a code that the new second factor shows. The setup code is then used up, password, second factor and recovery codes are the new ones,
// and every token that was signed in for before ends. The answer is the recovery codes, which are shown once.
func (c *Casework) ConfirmSetUp(ctx context.Context, p authn.Principal, clinicID, name, code, oneTime string) ([]string, error) {
	if c.signIn == nil {
		return nil, refusedSignIn(errNoLogin)
	}
	clinic := orNetwork(clinicID)
	key := setupKey(clinic, name)
	if err := c.signIn.Attempts.Allow(ctx, key); err != nil {
		return nil, fmt.Errorf("confirm set-up: %w", err)
	}
	known, missing, err := c.findLogin(ctx, clinic, name)
	if err == nil && missing != nil && missing != errNotSetUp {
		err = refusedSignIn(missing)
	}
	var codes []string
	if err == nil {
		codes, err = c.confirm(ctx, p, known, code, oneTime)
	}
	return ended(ctx, c, p, clinic, known.identity.ID, key, codes, err)
}

func (c *Casework) confirm(ctx context.Context, p authn.Principal, l login, code, oneTime string) ([]string, error) {
	if err := c.matchSetup(l, code); err != nil {
		return nil, err
	}
	if l.setup.Secret == nil || l.setup.Password == "" {
		return nil, refusedSignIn(errNotBegun)
	}
	proof, err := c.proveStep(l.identity.ID, *l.setup.Secret, oneTime)
	if err != nil {
		return nil, err
	}
	codes, hashes, err := otp.NewRecovery(c.rand)
	if err != nil {
		return nil, err
	}
	err = c.write(ctx, l.clinic, func(tx *store.Tx, head auditlog.Head) error {
		if err := stillSetup(ctx, tx, l); err != nil {
			return err
		}
		now := login{clinic: l.clinic, identity: l.identity}
		if err := now.read(ctx, tx); err != nil {
			return err
		}
		drafts, err := c.confirmed(ctx, tx, p, now, proof, hashes)
		if err != nil {
			return err
		}
		_, err = c.log.CommitAll(ctx, tx, head, drafts)
		return err
	})
	return codes, spentMeanwhile(err)
}

// confirmed are the entries of a confirmed set-up: the password, the second factor with what it used up, and the end of each token from before.
func (c *Casework) confirmed(ctx context.Context, tx *store.Tx, p authn.Principal, l login, proof passed, recovery []string) ([]auditlog.Draft, error) {
	id, setup := l.identity.ID, l.setup
	spent, err := c.spend(ctx, tx, id, proof)
	if err != nil {
		return nil, err
	}
	passwords, err := docRows(newDoc{record.KindPassword, id, l.passwordRev + 1, record.Password{IdentityID: id, Hash: setup.Password}})
	if err != nil {
		return nil, err
	}
	factor := record.SecondFactor{IdentityID: id, Secret: *setup.Secret, Set: l.factorRev + 1, Recovery: recovery}
	setup.Used, setup.Password, setup.Secret = true, "", nil
	factors, err := docRows(append(spent, newDoc{record.KindSecondFactor, id, l.factorRev + 1, factor}, newDoc{record.KindSetupCode, id, l.setupRev + 1, setup})...)
	if err != nil {
		return nil, err
	}
	actor := actorOf(p, l.identity, "", setupLabel)
	drafts := []auditlog.Draft{
		{ClinicID: l.clinic, Action: record.ActionPasswordSet, Actor: actor, Subjects: identitySubjects(l.identity), Docs: passwords},
		{ClinicID: l.clinic, Action: record.ActionSecondFactorSet, Actor: actor, Subjects: identitySubjects(l.identity), Docs: factors},
	}
	return c.endingAll(ctx, tx, l, actor, "", "the login was set up anew", drafts)
}

// endingAll adds the end of every token of an identity but one, and marks the last draft as such.
func (c *Casework) endingAll(ctx context.Context, tx *store.Tx, l login, actor record.Actor, but, reason string, drafts []auditlog.Draft) ([]auditlog.Draft, error) {
	rows, err := tx.TokensOfIdentity(ctx, l.identity.ID, c.now())
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		token, err := read[record.Token](record.KindToken, row.Body)
		if err != nil {
			return nil, err
		}
		if token.ID == but {
			continue
		}
		draft, _, err := c.ending(ctx, tx, l.clinic, actor, token, reason)
		if err != nil {
			return nil, err
		}
		if draft != nil {
			drafts = append(drafts, *draft)
		}
	}
	drafts[len(drafts)-1].Last = true
	return drafts, nil
}
