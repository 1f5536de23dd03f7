package password

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"ponderal.example/internal/fault"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// cheap is a cost for tests that are not about cost.
var cheap = Params{MemoryKiB: 64, Passes: 1, Lanes: 2}

func hasher(t testing.TB, change func(*Config)) *Hasher {
	t.Helper()
	c := Config{Params: cheap, BudgetKiB: 1 << 10, MaxWaiting: 100, Policy: Policy{MinLength: MinLength}, Rand: rand.Reader}
	if change != nil {
		change(&c)
	}
	h, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// TestPublishedVectors: the cases of the reference implementation's own tests for Argon2id in version 0x13 (P-H-C/phc-winner-argon2,
// src/test.c; read in public ports of that file) but for the one of 256 MiB. The vector of RFC 9106, section 5.3 has a secret and associated data,
// which the library does not let through; its own tests check it.
func TestPublishedVectors(t *testing.T) {
	h := hasher(t, func(c *Config) { c.BudgetKiB = 64 << 10 })
	for _, v := range []struct{ password, tag, text string }{
		{"password", "09316115d5cf24ed5a15a31a3ba326e5cf32edc24702987c02b6566f61913cf7",
			"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"},
		{"password", "9dfeb910e80bad0311fee20f9c0e2b12c17987b4cac90c2ef54d5b3021c68bfe",
			"$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4"},
		{"password", "6d093c501fd5999645e0ea3bf620d7b8be7fd2db59c20d9fff9539da2bf57037",
			"$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc"},
		{"password", "f6a5adc1ba723dddef9b5ac1d464e180fcd9dffc9d1cbf76cca2fed795d9ca98",
			"$argon2id$v=19$m=65536,t=1,p=1$c29tZXNhbHQ$9qWtwbpyPd3vm1rB1GThgPzZ3/ydHL92zKL+15XZypg"},
		{"password", "9025d48e68ef7395cca9079da4c4ec3affb3c8911fe4f86d1a2520856f63172c",
			"$argon2id$v=19$m=65536,t=4,p=1$c29tZXNhbHQ$kCXUjmjvc5XMqQedpMTsOv+zyJEf5PhtGiUghW9jFyw"},
		{"differentpassword", "0b84d652cf6b0c4beaef0dfe278ba6a80df6696281d7e0d2891b817d8c458fde",
			"$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$C4TWUs9rDEvq7w3+J4umqA32aWKB1+DSiRuBfYxFj94"},
		{"password", "bdf32b05ccc42eb15d58fd19b1f856b113da1e9a5874fdcc544308565aa8141c",
			"$argon2id$v=19$m=65536,t=2,p=1$ZGlmZnNhbHQ$vfMrBczELrFdWP0ZsfhWsRPaHppYdP3MVEMIVlqoFBw"},
	} {
		stored, err := Parse(v.text)
		if err != nil || stored.String() != v.text || hex.EncodeToString(stored.Tag) != v.tag {
			t.Errorf("%s: read as %+v, %v", v.text, stored, err)
			continue
		}
		if out, err := h.Verify(t.Context(), v.text, v.password); err != nil || !out.Match || !out.Rehash {
			t.Errorf("%s: verify: %+v, %v", v.text, out, err)
		}
		if stored.MemoryKiB > 256 {
			continue
		}
		if out, err := h.Verify(t.Context(), v.text, v.password+"x"); err != nil || out != (Outcome{}) {
			t.Errorf("%s: verify another password: %+v, %v", v.text, out, err)
		}
	}
}

// TestRecommended: RFC 9106, section 4, second recommended option.
func TestRecommended(t *testing.T) {
	if got := (Hash{Params: Recommended()}).String(); got != "$argon2id$v=19$m=65536,t=3,p=4$$" {
		t.Error(got)
	}
	if saltSize*8 != 128 || tagSize*8 != 256 {
		t.Error("salt and tag of the option are 128 and 256 bits")
	}
}

func TestHashAndVerify(t *testing.T) {
	h := hasher(t, nil)
	one, err := h.Hash(t.Context(), "a few plain words")
	if err != nil {
		t.Fatal(err)
	}
	two, err := h.Hash(t.Context(), "a few plain words")
	if err != nil || one == two {
		t.Errorf("the same string twice: %v", err)
	}
	for _, stored := range []string{one, two} {
		if out, err := h.Verify(t.Context(), stored, "a few plain words"); err != nil || out != (Outcome{Match: true}) {
			t.Errorf("%+v, %v", out, err)
		}
	}
	for _, wrong := range []string{"", "a few plain word", "a few plain words ", "A few plain words", strings.Repeat("a", MaxBytes+1), "a few plain word\xff"} {
		if out, err := h.Verify(t.Context(), one, wrong); err != nil || out != (Outcome{}) {
			t.Errorf("%q: %+v, %v", wrong, out, err)
		}
	}
	// From another keyboard: the same characters composed and decomposed, a compatibility form (Unicode Standard Annex 15, figures 3 to 6).
	stored, err := h.Hash(t.Context(), "\u212bngström ﬁve 2⁵ \u1e9b\u0323")
	if err != nil {
		t.Fatal(err)
	}
	if out, err := h.Verify(t.Context(), stored, "A\u030angstro\u0308m five 25 \u1e69"); err != nil || !out.Match {
		t.Errorf("normalised: %+v, %v", out, err)
	}
}

func TestNobody(t *testing.T) {
	h := hasher(t, nil)
	if out, err := h.Verify(t.Context(), "", "a few plain words"); err != nil || out != (Outcome{}) {
		t.Errorf("%+v, %v", out, err)
	}
	// Not even who finds a password of the nobody's hash gets in.
	tag, err := h.derive(t.Context(), h.nobody, []byte("a few plain words"), tagSize)
	if err != nil {
		t.Fatal(err)
	}
	h.nobody.Tag = tag
	if out, err := h.Verify(t.Context(), "", "a few plain words"); err != nil || out != (Outcome{}) {
		t.Errorf("with its own tag: %+v, %v", out, err)
	}
	// The work for nobody is that of a stored hash: as much memory is asked of the gate.
	full := hasher(t, func(c *Config) { c.BudgetKiB, c.MaxWaiting = cheap.MemoryKiB, 0 })
	if !full.memory.TryAcquire(1) {
		t.Fatal("the gate is closed")
	}
	if _, err := full.Verify(t.Context(), "", "a few plain words"); !fault.Is(err, fault.Overloaded) {
		t.Errorf("nobody's password was checked without the work: %v", err)
	}
	full.memory.Release(1)
	if _, err := full.Verify(t.Context(), "", "a few plain words"); err != nil {
		t.Errorf("with the whole budget free: %v", err)
	}
}

func TestRehash(t *testing.T) {
	old := hasher(t, nil)
	stored, err := old.Hash(t.Context(), "eight by")
	if err != nil {
		t.Fatal(err)
	}
	short, err := Parse(stored)
	if err != nil {
		t.Fatal(err)
	}
	short.Tag, err = old.derive(t.Context(), short, []byte("eight by"), 16)
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct {
		stored string
		change func(*Config)
		want   Outcome
	}{
		"as it was":      {stored, nil, Outcome{Match: true}},
		"more memory":    {stored, func(c *Config) { c.Params.MemoryKiB++ }, Outcome{Match: true, Rehash: true}},
		"less memory":    {stored, func(c *Config) { c.Params.MemoryKiB-- }, Outcome{Match: true}},
		"more passes":    {stored, func(c *Config) { c.Params.Passes++ }, Outcome{Match: true, Rehash: true}},
		"other lanes":    {stored, func(c *Config) { c.Params.Lanes++ }, Outcome{Match: true}},
		"a shorter tag":  {short.String(), nil, Outcome{Match: true, Rehash: true}},
		"longer wanted":  {stored, func(c *Config) { c.Policy.MinLength = 9 }, Outcome{Match: true, Weak: true}},
		"just as long":   {stored, func(c *Config) { c.Policy.MinLength = 8 }, Outcome{Match: true}},
		"blocked by now": {stored, func(c *Config) { c.Policy.Blocked = func(string) bool { return true } }, Outcome{Match: true, Weak: true}},
	} {
		h := hasher(t, tt.change)
		got, err := h.Verify(t.Context(), tt.stored, "eight by")
		if diff := cmp.Diff(tt.want, got); diff != "" || err != nil {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
		again, err := h.Rehash(t.Context(), "eight by")
		if err != nil {
			t.Errorf("%s: rehash: %v", name, err)
		}
		if out, err := h.Verify(t.Context(), again, "eight by"); err != nil || !out.Match || out.Rehash {
			t.Errorf("%s: after the rehash: %+v, %v", name, out, err)
		}
	}
}

func TestDamaged(t *testing.T) {
	h := hasher(t, nil)
	within := "$argon2id$v=19$m=1024,t=1,p=1$c29tZXNhbHQ$" + strings.Repeat("A", 43)
	if out, err := h.Verify(t.Context(), within, "a few plain words"); err != nil || out.Match {
		t.Fatalf("%+v, %v", out, err)
	}
	for name, stored := range map[string]string{
		"above the budget":  strings.Replace(within, "m=1024", "m=1025", 1),
		"no hash":           "x",
		"another algorithm": strings.Replace(within, "argon2id", "argon2i", 1),
		"the password":      "a few plain words",
	} {
		out, err := h.Verify(t.Context(), stored, "a few plain words")
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Internal || f.Reason != "PASSWORD_DAMAGED" || out != (Outcome{}) {
			t.Errorf("%s: %+v, %v, want PASSWORD_DAMAGED", name, out, err)
		}
		if err != nil && strings.Contains(err.Error(), stored) && stored != "x" {
			t.Errorf("%s: the error holds what is stored: %v", name, err)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	good := Config{Params: cheap, BudgetKiB: cheap.MemoryKiB, Policy: Policy{MinLength: MinLength}, Rand: rand.Reader}
	if _, err := New(good); err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*Config){
		"no lanes":           func(c *Config) { c.Params.Lanes = 0 },
		"too many lanes":     func(c *Config) { c.Params.Lanes, c.Params.MemoryKiB, c.BudgetKiB = maxLanes+1, 1024, 1024 },
		"no passes":          func(c *Config) { c.Params.Passes = 0 },
		"too many passes":    func(c *Config) { c.Params.Passes = maxPasses + 1 },
		"too little memory":  func(c *Config) { c.Params.MemoryKiB = 15 },
		"too much memory":    func(c *Config) { c.Params.MemoryKiB, c.BudgetKiB = maxMemoryKiB+1, maxMemoryKiB+1 },
		"too much work":      func(c *Config) { c.Params.MemoryKiB, c.BudgetKiB, c.Params.Passes = 65537, 1<<20, 16 },
		"too small a budget": func(c *Config) { c.BudgetKiB-- },
		"negative waiting":   func(c *Config) { c.MaxWaiting = -1 },
		"no randomness":      func(c *Config) { c.Rand = nil },
		"too short":          func(c *Config) { c.Policy.MinLength = 7 },
		"too long":           func(c *Config) { c.Policy.MinLength = 65 },
	} {
		c := good
		change(&c)
		if _, err := New(c); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	for name, p := range map[string]Params{
		"the least": {8, 1, 1}, "most lanes": {8 * maxLanes, 1, maxLanes}, "most memory": {maxMemoryKiB, 1, 1}, "most passes": {16384, 64, 1}, "most work": {65536, 16, 1},
	} {
		if bad := p.check(); bad != "" {
			t.Errorf("%s: %s", name, bad)
		}
	}
	h := hasher(t, func(c *Config) { c.Rand = bytes.NewReader(make([]byte, saltSize-1)) })
	if _, err := h.Hash(t.Context(), "a few plain words"); err == nil {
		t.Error("hashed with 15 random bytes of 16")
	}
}

// TestWaiting: as many wait as may, one more is told to come back, and who gives up waits no longer.
func TestWaiting(t *testing.T) {
	h := hasher(t, func(c *Config) { c.BudgetKiB, c.MaxWaiting = cheap.MemoryKiB, 1 })
	if err := h.acquire(t.Context(), int64(cheap.MemoryKiB)); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	waits := make(chan error)
	go func() {
		_, err := h.Hash(ctx, "a few plain words")
		waits <- err
	}()
	for h.waiting.Load() == 0 {
		runtime.Gosched()
	}
	_, err := h.Hash(t.Context(), "a few plain words")
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Overloaded || f.RetryAfter <= 0 {
		t.Errorf("with all places taken: %v", err)
	}
	cancel()
	if err := <-waits; !errors.Is(err, context.Canceled) {
		t.Errorf("who gave up: %v", err)
	}
	h.memory.Release(int64(cheap.MemoryKiB))
	if _, err := h.Hash(t.Context(), "a few plain words"); err != nil || h.waiting.Load() != 0 {
		t.Errorf("afterwards: %v, %d waiting", err, h.waiting.Load())
	}
}

// TestMemoryStaysBounded: many sign-ins at once, at the collector setting of the service, take the budget and not their sum.
func TestMemoryStaysBounded(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	const one = 16 << 10
	h := hasher(t, func(c *Config) {
		c.Params, c.BudgetKiB, c.MaxWaiting = Params{MemoryKiB: one, Passes: 1, Lanes: 1}, one, 100
	})
	stored, err := h.Hash(t.Context(), "a few plain words")
	if err != nil {
		t.Fatal(err)
	}
	debug.FreeOSMemory()
	before := mapped()
	var most atomic.Uint64
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for {
			most.Store(max(most.Load(), mapped()))
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
			}
		}
	}()
	var all sync.WaitGroup
	for range 12 {
		all.Go(func() {
			if out, err := h.Verify(context.Background(), stored, "a few plain words"); err != nil || !out.Match {
				t.Errorf("%+v, %v", out, err)
			}
		})
	}
	all.Wait()
	close(stop)
	<-stopped
	if used := int64(most.Load()) - int64(before); used < one<<10/2 || used > 2*one<<10 {
		t.Errorf("12 sign-ins of 16 MiB each took up to %d MiB, want about 16", used>>20)
	}
}

// mapped is the heap that the system has given and not got back, in bytes.
func mapped() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapSys - m.HeapReleased
}

// BenchmarkVerify is the cost of a sign-in at the recommended parameters.
func BenchmarkVerify(b *testing.B) {
	h := hasher(b, func(c *Config) { c.Params, c.BudgetKiB = Recommended(), Recommended().MemoryKiB })
	stored, err := h.Hash(b.Context(), "a few plain words")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if out, err := h.Verify(b.Context(), stored, "a few plain words"); err != nil || !out.Match {
			b.Fatal(fmt.Sprint(out, err))
		}
	}
}
