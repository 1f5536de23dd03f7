package casework

import (
	"context"
	"crypto/hmac"
	"crypto/sha1"
	"encoding/base32"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/authn/factor"
	"ponderal.example/internal/authn/openid"
	"ponderal.example/internal/authn/password"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// counted are attempts that are counted, and locked from the most-th failure on.
type counted struct {
	mu     sync.Mutex
	most   int
	failed map[string]int
	good   map[string]int
}

func (a *counted) Allow(_ context.Context, key string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.most > 0 && a.failed[key] >= a.most {
		return fault.New(fault.Overloaded, "RATE_LIMITED", "too many calls")
	}
	return nil
}

func (a *counted) Failed(_ context.Context, key string) (bool, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.failed[key]++
	return a.failed[key] == a.most, nil
}

func (a *counted) Succeeded(_ context.Context, key string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.failed[key] = 0
	a.good[key]++
	return nil
}

// issuer says who an ID token speaks for, by its text.
type issuer struct {
	mu   sync.Mutex
	says map[string]openid.Identity
	down error
}

func (i *issuer) Verify(_ context.Context, token string) (openid.Identity, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.down != nil {
		return openid.Identity{}, i.down
	}
	who, ok := i.says[token]
	if !ok {
		return who, fault.New(fault.Unauthenticated, "UNAUTHENTICATED", "a valid token is needed")
	}
	return who, nil
}

// door is a world into which people sign in.
type door struct {
	*world
	attempts *counted
	issuer   *issuer
}

const loginName, goodPassword = "dana.w", "five brown boxes on a shelf"

// hasher has the cost of OWASP's least recommendation (Password Storage Cheat Sheet: Argon2id with 19 MiB, 2 passes, 1 lane).
func hasher(t testing.TB) *password.Hasher {
	t.Helper()
	return must(password.New(password.Config{Params: password.Params{MemoryKiB: 19456, Passes: 2, Lanes: 1}, BudgetKiB: 4 * 19456, MaxWaiting: 16,
		Policy: password.Policy{MinLength: 8}, Rand: &source{r: rand.NewChaCha8([32]byte{9})}}))(t)
}

func newDoor(t testing.TB) *door {
	t.Helper()
	d := &door{world: newWorld(t), attempts: &counted{failed: map[string]int{}, good: map[string]int{}}, issuer: &issuer{says: map[string]openid.Identity{}}}
	line := must(factor.NewLine(&source{r: rand.NewChaCha8([32]byte{3})}, "k1"))(t)
	d.c.signIn = &SignIn{Passwords: hasher(t), Secrets: must(factor.Read([]byte(line)))(t), IDTokens: d.issuer, Attempts: d.attempts, Life: LongestSignIn, Service: "Ponderal"}
	d.c.signers = d.c
	return d
}

// bound binds a login to dana at a clinic.
func (d *door) bound(clinic string, n int) record.Identity {
	d.t.Helper()
	i := record.Identity{ID: id("1d", n), MemberID: dana, Login: loginName}
	return must(d.c.PutIdentity(d.ctx, d.admin(clinic), i, 0))(d.t).Value.Identity
}

// person is somebody with a login that is set up.
type person struct {
	record.Identity
	secret   string
	recovery []string
	clinic   string
	password string
}

// hotp is RFC 4226, section 5.3, written here anew: what an authenticator app shows.
func hotp(t testing.TB, base32Secret string, counter int64) string {
	t.Helper()
	key := must(base32.StdEncoding.WithPadding(base32.NoPadding).DecodeString(base32Secret))(t)
	mac := hmac.New(sha1.New, key)
	_ = binary.Write(mac, binary.BigEndian, counter)
	sum := mac.Sum(nil)
	at := sum[len(sum)-1] & 0xf
	return fmt.Sprintf("%06d", binary.BigEndian.Uint32(sum[at:at+4])&0x7fffffff%1_000_000)
}

// code is what the person's app shows now; the clock moves to the next step first, since a code is taken once.
func (d *door) code(p person) string {
	d.setClock(d.clock.now().Add(30 * time.Second))
	return hotp(d.t, p.secret, d.clock.now().Unix()/30)
}

// setUp sets a login up from its setup code.
func (d *door) setUp(i record.Identity, password string) person {
	d.t.Helper()
	p := person{Identity: i, clinic: i.ClinicID, password: password}
	issuer := d.network(record.RoleNetworkAdmin)
	issuer.ClinicID = i.ClinicID
	code := must(d.c.IssueSetupCode(d.ctx, issuer, i.ID, "a new login"))(d.t).Code
	p.secret = must(d.c.SetUpSignIn(d.ctx, stranger, i.ClinicID, i.Login, code, password))(d.t).Secret
	p.recovery = must(d.c.ConfirmSetUp(d.ctx, stranger, i.ClinicID, i.Login, code, d.code(p)))(d.t)
	return p
}

// stranger calls without a credential.
var stranger = authn.Principal{App: "test", RequestID: "r-9"}

func (d *door) signIn(p person, code string) (SignedIn, error) {
	return d.c.SignIn(d.ctx, stranger, p.clinic, LoginProof{Login: p.Login, Password: p.password, Code: code})
}

// who authenticates with a token as a caller does.
func (d *door) who(secret string) (authn.Principal, error) {
	return authn.NewAuthenticator(d.store, d.clock.now).Authenticate(d.ctx, secret)
}

func reasonOf(err error) string {
	var f *fault.Error
	if errors.As(err, &f) {
		return f.Reason
	}
	if err != nil {
		return err.Error()
	}
	return ""
}

// actions are those of the entries of a clinic's log, oldest first.
func (d *door) actions(clinic string, after int) []string {
	d.t.Helper()
	var out []string
	for _, e := range must(d.c.ListEntries(d.ctx, d.admin(clinic), EntryFilter{}, record.Page{Size: 500}))(d.t).Items[after:] {
		out = append(out, e.Entry.Action)
	}
	return out
}

func asFault(err error, f **fault.Error) bool { return errors.As(err, f) }
