package casework

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/limit"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// tally counts what held attempts up.
type tally struct{ locked, refused int }

func (m *tally) Locked()  { m.locked++ }
func (m *tally) Refused() { m.refused++ }

// twoReplicas are attempts that count in one database from two replicas in turn.
type twoReplicas struct {
	each [2]*StoredAttempts
	n    int
}

func (a *twoReplicas) next() *StoredAttempts { a.n++; return a.each[a.n%2] }

func (a *twoReplicas) Allow(ctx context.Context, key string) error { return a.next().Allow(ctx, key) }
func (a *twoReplicas) Failed(ctx context.Context, key string) (bool, error) {
	return a.next().Failed(ctx, key)
}
func (a *twoReplicas) Succeeded(ctx context.Context, key string) error {
	return a.next().Succeeded(ctx, key)
}

// guarded is a door whose attempts are counted in the store, with what is told of them.
func guarded(t *testing.T) (*door, *tally, *bytes.Buffer) {
	t.Helper()
	d, told, log := newDoor(t), &tally{}, &bytes.Buffer{}
	second := must(store.Open(d.ctx, store.Options{URL: d.url, MaxConns: 2}))(t)
	t.Cleanup(second.Close)
	both := &twoReplicas{}
	for i, s := range []*store.Store{d.store, second} {
		both.each[i] = must(NewStoredAttempts(s.Limits(d.clock.now), 10, 15*time.Minute, slog.New(slog.NewJSONHandler(log, nil)), told))(t)
	}
	d.c.signIn.Attempts = both
	return d, told, log
}

// from is a call from an address.
func (d *door) from(address string) { d.ctx = limit.WithAddress(d.ctx, netip.MustParseAddr(address)) }

// wrong is n sign-ins with a wrong password, each refused as such.
func (d *door) wrong(p person, n int) {
	d.t.Helper()
	p.password = "not the password"
	for i := range n {
		if _, err := d.signIn(p, "000000"); reasonOf(err) != "SIGN_IN_REFUSED" {
			d.t.Fatalf("wrong password %d: %v", i+1, err)
		}
	}
}

// locks are the entries of lockouts in a clinic's log.
func (d *door) locks(clinic string) (subjects [][]string) {
	d.t.Helper()
	for _, e := range must(d.c.ListEntries(d.ctx, d.admin(clinic), EntryFilter{}, record.Page{Size: 500}))(d.t).Items {
		if e.Entry.Action == record.ActionSignInLock {
			subjects = append(subjects, e.Entry.Subjects)
		}
	}
	return subjects
}

// TestLockoutOfALogin: nine failures leave no trace after a success; the tenth locks the login at that address, on both replicas, is told once in the
// audit log, and nothing but the time to wait tells it from a wrong password.
func TestLockoutOfALogin(t *testing.T) {
	t.Parallel()
	d, told, log := guarded(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	d.from("192.0.2.7")
	for range 2 {
		d.wrong(p, 9)
		if _, err := d.signIn(p, d.code(p)); err != nil {
			t.Fatalf("after nine failures: %v", err)
		}
	}
	if got := d.locks(east); len(got) != 0 || told.locked != 0 {
		t.Errorf("locks after nine failures: %v, %d", got, told.locked)
	}
	d.wrong(p, 10)
	if got, want := d.locks(east), [][]string{{subject(record.KindIdentity, p.ID)}}; !cmp.Equal(got, want) {
		t.Errorf("entries of the lock: %v, want %v", got, want)
	}
	_, err := d.signIn(p, d.code(p))
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Overloaded || f.Reason != "RATE_LIMITED" || f.RetryAfter > time.Minute || f.RetryAfter < 20*time.Second {
		t.Fatalf("the right password while locked: %v, %+v", err, f)
	}
	if told.locked != 1 || told.refused != 1 || strings.Count(log.String(), "sign-in locked") != 1 {
		t.Errorf("%+v, log %s", *told, log)
	}
	for _, private := range []string{loginName, "192.0.2.7", east, p.ID} {
		if strings.Contains(log.String(), private) {
			t.Errorf("the log names %s: %s", private, log)
		}
	}
	// Whoever sits elsewhere is not locked out by it.
	d.from("198.51.100.1")
	if _, err := d.signIn(p, d.code(p)); err != nil {
		t.Errorf("from another address: %v", err)
	}
	// Nor for ever.
	d.from("192.0.2.7")
	d.setClock(d.clock.now().Add(time.Minute))
	if _, err := d.signIn(p, d.code(p)); err != nil {
		t.Errorf("after the lock: %v", err)
	}
	d.wrong(p, 9)
}

// TestLockoutTellsNothing: a login that is not there is locked as one that is, with the same answers; so is one of a clinic that is not there.
func TestLockoutTellsNothing(t *testing.T) {
	t.Parallel()
	d, _, _ := guarded(t)
	there := d.setUp(d.bound(east, 1), goodPassword)
	nobody, nowhere := there, there
	nobody.Login, nowhere.clinic = "nobody.w", id("c1", 9)
	answers := func(p person) (all []string) {
		p.password = "not the password"
		for range 12 {
			_, err := d.signIn(p, "000000")
			var f *fault.Error
			if !errors.As(err, &f) {
				t.Fatalf("%v is no fault", err)
			}
			all = append(all, strings.Join([]string{f.Reason, f.Text, f.RetryAfter.String()}, "|"))
		}
		return all
	}
	d.from("192.0.2.7")
	want := answers(there)
	for i, p := range []person{nobody, nowhere} {
		if got := answers(p); !slices.Equal(got, want) {
			t.Errorf("%d: %s\nwant %s", i, got, want)
		}
	}
	if got := d.locks(east); len(got) != 2 || len(got[1]) != 0 {
		t.Errorf("entries of the locks: %v, want the second without a subject", got)
	}
}

// TestNoCountNoSignIn: where attempts cannot be counted nobody signs in, whatever they know.
func TestNoCountNoSignIn(t *testing.T) {
	t.Parallel()
	d, _, _ := guarded(t)
	p := d.setUp(d.bound(east, 1), goodPassword)
	gone := must(store.Open(d.ctx, store.Options{URL: d.url, MaxConns: 2}))(t)
	gone.Close()
	counts := must(NewStoredAttempts(gone.Limits(nil), 10, time.Minute, slog.New(slog.DiscardHandler), &tally{}))(t)
	d.c.signIn.Attempts = counts
	if got, err := d.signIn(p, d.code(p)); !fault.Is(err, fault.Unavailable) || got.Secret != "" {
		t.Errorf("%v", err)
	}
}

// TestAttemptsOfNothing: no setting switches the bound off.
func TestAttemptsOfNothing(t *testing.T) {
	counts, logger := (&store.Store{}).Limits(nil), slog.New(slog.DiscardHandler)
	for name, make := range map[string]func() (*StoredAttempts, error){
		"none":      func() (*StoredAttempts, error) { return NewStoredAttempts(counts, 0, time.Minute, logger, &tally{}) },
		"no window": func() (*StoredAttempts, error) { return NewStoredAttempts(counts, 1, 0, logger, &tally{}) },
		"no counts": func() (*StoredAttempts, error) { return NewStoredAttempts(nil, 1, time.Minute, logger, &tally{}) },
		"no log":    func() (*StoredAttempts, error) { return NewStoredAttempts(counts, 1, time.Minute, nil, &tally{}) },
		"untold":    func() (*StoredAttempts, error) { return NewStoredAttempts(counts, 1, time.Minute, logger, nil) },
	} {
		if _, err := make(); err == nil {
			t.Errorf("%s: is taken", name)
		}
	}
	if _, err := NewStoredAttempts(counts, 1, time.Second, logger, &tally{}); err != nil {
		t.Errorf("the least: %v", err)
	}
}
