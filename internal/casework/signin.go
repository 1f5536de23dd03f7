package casework

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/authn/password"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// LongestSignIn is the longest that a token works that was signed in for.
const LongestSignIn = 12 * time.Hour

// IDTokens says who an ID token speaks for (openid.Verifier). Safe for concurrent use.
type IDTokens interface {
	Verify(ctx context.Context, token string) (openid.Identity, error)
}

// SignIn is what signing in needs. Attempts is never left out; without Secrets there is no signing in with a password, without IDTokens none with an ID
// token.
type SignIn struct {
	Passwords *password.Hasher
	Secrets   factor.Keys
	IDTokens  IDTokens
	Attempts  Attempts
	// Life is how long a token works that was signed in for; at most LongestSignIn.
	Life time.Duration
	// Service names the service in people's authenticator apps: one line without a colon.
	Service string
}

func (s *SignIn) check() error {
	switch {
	case s == nil:
		return nil
	case s.Passwords == nil || s.Attempts == nil || s.Service == "":
		return errors.New("casework: signing in needs passwords, a bound on attempts and the service's name")
	case s.Life <= 0 || s.Life > LongestSignIn:
		return errors.New("casework: a token that was signed in for works 12 hours at most")
	}
	return nil
}

// proves reports whether there is any way to prove who one is.
func (s *SignIn) proves() bool { return s != nil && (s.Secrets.Any() || s.IDTokens != nil) }

// LoginProof is what a person knows and has: Code is a one-time code or a recovery code.
type LoginProof struct{ Login, Password, Code string }

// SignedIn is a token that was signed in for, with its secret, which is stored nowhere, and how many recovery codes are left.
type SignedIn struct {
	Token        record.Stored[TokenView]
	Secret       string
	RecoveryLeft int
}

// refusedSignIn is the one answer to whoever could not sign in, whatever was wrong; the cause is for the log.
func refusedSignIn(cause error) error {
	return fault.Wrap(fault.Unauthenticated, "SIGN_IN_REFUSED",
		"the sign-in was refused: look at clinic, login, password and code, or at the ID token; where they are right, ask an administrator for a setup code", cause)
}

// The causes: what was wrong. Each is about the attempt, and nothing of what was sent is in it.
var (
	errNoLogin     = errors.New("there is no such login, or it has been revoked")
	errNotSetUp    = errors.New("the login has not been set up")
	errHolder      = errors.New("its member has left or has no role, or its holder is not a person")
	errPassword    = errors.New("the password is wrong")
	errCode        = errors.New("the code is wrong")
	errSpent       = errors.New("the code or ID token has been used")
	errMeanwhile   = errors.New("the login changed meanwhile")
	errSubject     = errors.New("the subject of the ID token is not bound here")
	errNoIssuers   = errors.New("no issuer of ID tokens is configured")
	errSetupCode   = errors.New("the setup code is wrong, used, replaced or has expired")
	errNotBegun    = errors.New("the setup code has not been opened with a password")
	errOtherSigner = errors.New("the ID token is not the signer's, not for this result, or not from a sign-in of the last five minutes")
)

// SignIn signs in with login, password and code, at a clinic or, where none is named, at the network. p carries the app and the id of the request alone.
// Whatever is wrong, and whether there is such a clinic or login, the answer is the same after the same work.
func (c *Casework) SignIn(ctx context.Context, p authn.Principal, clinicID string, in LoginProof) (SignedIn, error) {
	if c.signIn == nil {
		return SignedIn{}, refusedSignIn(errNoLogin)
	}
	clinic := orNetwork(clinicID)
	key := loginKey(clinic, in.Login)
	if err := c.signIn.Attempts.Allow(ctx, key); err != nil {
		return SignedIn{}, fmt.Errorf("sign in: %w", err)
	}
	known, proof, err := c.prove(ctx, clinic, in)
	var done SignedIn
	if err == nil {
		done, err = c.issue(ctx, p, known, proof)
	}
	return ended(ctx, c, p, clinic, known.identity.ID, key, done, err)
}

func orNetwork(clinicID string) string {
	if clinicID == "" {
		return record.NetworkClinic
	}
	return clinicID
}

// loginKey names a login for the count of attempts.
func loginKey(clinic, login string) string { return "login:" + clinic + "/" + login }

// passed is what a proof leaves to be stored: what it spends, and a password hashed anew.
type passed struct {
	spent     string
	what      string
	recovery  bool
	rehashed  string
	twoFactor bool
}

// prove holds password and code against the login. The work for the password is done whether or not there is such a login.
func (c *Casework) prove(ctx context.Context, clinic string, in LoginProof) (login, passed, error) {
	known, missing, err := c.findLogin(ctx, clinic, in.Login)
	if err != nil {
		return login{}, passed{}, err
	}
	outcome, err := c.signIn.Passwords.Verify(ctx, known.password.Hash, in.Password)
	switch {
	case err != nil:
		return known, passed{}, err
	case missing != nil:
		return known, passed{}, refusedSignIn(missing)
	case !outcome.Match:
		return known, passed{}, refusedSignIn(errPassword)
	}
	proof, err := c.proveCode(known, in.Code)
	if err == nil && outcome.Rehash {
		proof.rehashed, err = c.signIn.Passwords.Rehash(ctx, in.Password)
	}
	proof.twoFactor = true
	return known, proof, err
}

// ended counts how an attempt ended, and answers it. An attempt whose outcome is not known counts as failed already.
func ended[T any](ctx context.Context, c *Casework, p authn.Principal, clinic, identityID, key string, done T, err error) (T, error) {
	var none T
	switch {
	case err == nil:
		if err := c.signIn.Attempts.Succeeded(ctx, key); err != nil {
			return none, fmt.Errorf("sign in: %w", err)
		}
		return done, nil
	case !isRefusal(err):
		return none, fmt.Errorf("sign in: %w", err)
	}
	locked, failure := c.signIn.Attempts.Failed(ctx, key)
	if failure == nil && locked {
		failure = c.recordLock(ctx, p, clinic, identityID)
	}
	if failure != nil {
		return none, fmt.Errorf("sign in: %w", failure)
	}
	return none, err
}

// isRefusal reports that the attempt was judged and found wrong.
func isRefusal(err error) bool {
	var f *fault.Error
	return errors.As(err, &f) && (f.Reason == "SIGN_IN_REFUSED" || f.Reason == "PROOF_REFUSED")
}
