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

// login is an identity with what proves it, as stored; revisions are 0 where there is nothing.
type login struct {
	clinic   string
	identity record.Identity
	// roles are those that the holder has now: the member's or the network's. None where the holder has left.
	roles []record.Role

	password    record.Password
	passwordRev int
	factor      record.SecondFactor
	factorRev   int
	setup       record.SetupCode
	setupRev    int
}

// findLogin reads a login. missing says why nobody can sign in with it, nil where somebody can; only then is all of it there.
func (c *Casework) findLogin(ctx context.Context, clinic, name string) (found login, missing, err error) {
	err = c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.IdentitiesByLogin(ctx, name)
		if err != nil {
			return err
		}
		found, missing, err = loginOf(ctx, tx, rows)
		return err
	})
	if err != nil {
		return login{}, nil, fmt.Errorf("find login: %w", err)
	}
	if missing == nil && (found.passwordRev == 0 || found.factorRev == 0) {
		missing = errNotSetUp
	}
	return found, missing, nil
}

// loginOf picks the identity that is not revoked and reads what belongs to it.
func loginOf(ctx context.Context, tx *store.Tx, rows []store.Row) (found login, missing, err error) {
	identity, ok, err := liveIdentity(rows)
	if err == nil && !ok {
		return login{}, errNoLogin, readNobody(ctx, tx)
	}
	if err != nil {
		return login{}, nil, err
	}
	found = login{clinic: tx.ClinicID(), identity: identity}
	if found.roles, err = rolesNow(ctx, tx, identity); err != nil {
		return login{}, nil, err
	}
	if err := found.read(ctx, tx); err != nil {
		return login{}, nil, err
	}
	if len(found.roles) == 0 {
		return found, errHolder, nil
	}
	return found, nil, nil
}

// nobody is the id that is asked for where there is none; what is found under it, if anything, is not looked at.
const nobody = "ffffffff-ffff-8fff-bfff-ffffffffffff"

// readNobody asks the store as often as for a login that is there, so that the time tells nobody whether there is one.
func readNobody(ctx context.Context, tx *store.Tx) error {
	i := record.Identity{ID: nobody}
	if tx.ClinicID() != record.NetworkClinic {
		i.MemberID = nobody
	}
	if _, err := rolesNow(ctx, tx, i); err != nil {
		return err
	}
	return (&login{identity: i}).read(ctx, tx)
}

// read reads password, second factor and setup code as they stand.
func (l *login) read(ctx context.Context, tx *store.Tx) error {
	var err error
	if l.password, l.passwordRev, err = newestOf[record.Password](ctx, tx, record.KindPassword, l.identity.ID); err != nil {
		return err
	}
	if l.factor, l.factorRev, err = newestOf[record.SecondFactor](ctx, tx, record.KindSecondFactor, l.identity.ID); err != nil {
		return err
	}
	l.setup, l.setupRev, err = newestOf[record.SetupCode](ctx, tx, record.KindSetupCode, l.identity.ID)
	return err
}

// newestOf is the newest revision of a record with its number, 0 where there is none.
func newestOf[T any](ctx context.Context, tx *store.Tx, kind, id string) (T, int, error) {
	var none T
	row, err := newestOrNil(ctx, tx, kind, id)
	if err != nil || row == nil {
		return none, 0, err
	}
	v, err := read[T](kind, row.Body)
	return v, row.Revision, err
}

// liveIdentity is the one that is not revoked.
func liveIdentity(rows []store.Row) (record.Identity, bool, error) {
	for _, row := range rows {
		i, err := read[record.Identity](record.KindIdentity, row.Body)
		if err != nil {
			return i, false, err
		}
		if !i.Revoked {
			return i, true, nil
		}
	}
	return record.Identity{}, false, nil
}

// rolesNow are the roles that signing in with an identity gives; none where its member has left or it is a payer's.
func rolesNow(ctx context.Context, tx *store.Tx, i record.Identity) ([]record.Role, error) {
	if i.MemberID == "" {
		return i.NetworkRoles, nil
	}
	m, revision, err := newestOf[record.Member](ctx, tx, record.KindMember, i.MemberID)
	if err != nil || revision == 0 || m.Left {
		return nil, err
	}
	return m.Roles, nil
}

// same reports whether what a proof was held against still stands.
func (l login) same(now login) bool {
	return l.identity.ID == now.identity.ID && !now.identity.Revoked && l.passwordRev == now.passwordRev && l.factorRev == now.factorRev
}

// proveCode holds a code against the second factor: six digits are a one-time code (RFC 6238), anything else a recovery code. What it spends is left to be
// stored, so that a code is taken once (RFC 6238, section 5.2; NIST SP 800-63B, section 5.1.2.2), whichever replica it is shown to.
func (c *Casework) proveCode(l login, code string) (passed, error) {
	if l.factorRev == 0 {
		return passed{}, refusedSignIn(errNotSetUp)
	}
	if !sixDigits(code) {
		i, err := otp.MatchRecovery(l.factor.Recovery, code)
		if err != nil {
			return passed{}, refusedSignIn(errCode)
		}
		return passed{what: "recovery", spent: recoveryID(l.identity.ID, l.factor.Set, i), recovery: true}, nil
	}
	return c.proveStep(l.identity.ID, l.factor.Secret, code)
}

func (c *Casework) proveStep(identityID string, sealed record.Sealed, code string) (passed, error) {
	raw, err := c.signIn.Secrets.Open(identityID, sealed)
	if err != nil {
		return passed{}, err
	}
	secret, err := otp.ReadSecret(raw)
	if err != nil {
		return passed{}, err
	}
	step, err := otp.Verify(secret, code, c.now(), otp.NeverUsed)
	if err != nil {
		return passed{}, refusedSignIn(errCode)
	}
	return passed{what: "step", spent: fmt.Sprintf("%s/step/%d", identityID, step)}, nil
}

func recoveryID(identityID string, set, index int) string {
	return fmt.Sprintf("%s/recovery/%d/%d", identityID, set, index)
}

func sixDigits(code string) bool {
	return len(code) == 6 && strings.Trim(code, "0123456789") == ""
}

// spend is the record that uses a proof up; nil where it uses nothing up. A proof that has been used is refused: here where it shows, else by the key
// under which the record stands.
func (c *Casework) spend(ctx context.Context, tx *store.Tx, identityID string, p passed) ([]newDoc, error) {
	if p.spent == "" {
		return nil, nil
	}
	used, err := tx.Spent(ctx, []string{p.spent})
	if err != nil {
		return nil, err
	}
	if len(used) > 0 {
		return nil, refusedSignIn(errSpent)
	}
	return []newDoc{{record.KindSpentProof, p.spent, 1, record.SpentProof{What: p.what, IdentityID: identityID}}}, nil
}

// spentMeanwhile turns the refusal of a key into that of the proof: another replica was first.
func spentMeanwhile(err error) error {
	if fault.Is(err, fault.Conflict) {
		return refusedSignIn(errSpent)
	}
	return err
}

// recoveryLeft counts the recovery codes that have not been used.
func recoveryLeft(ctx context.Context, tx *store.Tx, l login) (int, error) {
	ids := make([]string, len(l.factor.Recovery))
	for i := range ids {
		ids[i] = recoveryID(l.identity.ID, l.factor.Set, i)
	}
	used, err := tx.Spent(ctx, ids)
	return len(ids) - len(used), err
}

// recordLock writes into the log that attempts were locked. Where there is no such clinic there is no log either.
func (c *Casework) recordLock(ctx context.Context, p authn.Principal, clinic, identityID string) error {
	var subjects []string
	if identityID != "" {
		subjects = []string{subject(record.KindIdentity, identityID)}
	}
	err := c.write(ctx, clinic, func(tx *store.Tx, head auditlog.Head) error {
		_, err := c.log.Commit(ctx, tx, head, auditlog.Draft{ClinicID: clinic, Action: record.ActionSignInLock,
			Actor: record.Actor{Label: "failed sign-ins", App: p.App, RequestID: p.RequestID}, Subjects: subjects, Last: true}, false)
		return err
	})
	if fault.Is(err, fault.NotFound) {
		return nil
	}
	return err
}

// actorOf is who acts with an identity, before or without a token.
func actorOf(p authn.Principal, i record.Identity, tokenID, label string) record.Actor {
	return record.Actor{TokenID: tokenID, MemberID: i.MemberID, Label: label, App: p.App, RequestID: p.RequestID}
}

// expiry is when a token ends that is signed in for now.
func (c *Casework) expiry(now time.Time) record.Time { return record.TimeOf(now.Add(c.signIn.Life)) }
