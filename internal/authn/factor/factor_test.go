package factor

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

func source() *rand.ChaCha8 { return rand.NewChaCha8([32]byte{5}) }

func line(t *testing.T, id string, seed byte) string {
	t.Helper()
	l, err := NewLine(rand.NewChaCha8([32]byte{seed}), id)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func keys(t *testing.T, text string) Keys {
	t.Helper()
	k, err := Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// TestRotation: the first key seals, an older one goes on opening what it sealed, and one that is gone does not.
func TestRotation(t *testing.T) {
	first, second := line(t, "2026-01", 1), line(t, "2026-07", 2)
	old := keys(t, first)
	sealed, err := old.Seal(source(), "someone", []byte("secret"))
	if err != nil || sealed.KeyID != "2026-01" || strings.Contains(sealed.Box, "secret") {
		t.Fatalf("%+v, %v", sealed, err)
	}
	both := keys(t, "# newest first\n\n"+second+first)
	if got, err := both.Open("someone", sealed); err != nil || string(got) != "secret" {
		t.Errorf("after the change of keys: %q, %v", got, err)
	}
	if again, err := both.Seal(source(), "someone", []byte("secret")); err != nil || again.KeyID != "2026-07" {
		t.Errorf("sealed anew: %+v, %v", again, err)
	}
	if _, err := keys(t, second).Open("someone", sealed); !fault.Is(err, fault.Internal) {
		t.Errorf("without its key: %v", err)
	}
	if got := both.Missing([]string{"2026-01", "2025-01"}); len(got) != 1 || got[0] != "2025-01" {
		t.Errorf("missing %v", got)
	}
}

// TestOpenRefuses: each byte of what is stored matters, and whose it is (NIST SP 800-38D: associated data is authenticated).
func TestOpenRefuses(t *testing.T) {
	k := keys(t, line(t, "k", 1))
	sealed, err := k.Seal(source(), "someone", []byte("secret"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := k.Open("somebody else", sealed); !fault.Is(err, fault.Internal) {
		t.Errorf("another identity's: %v", err)
	}
	for i := range sealed.Box {
		changed := []byte(sealed.Box)
		if changed[i] = 'A'; sealed.Box[i] == 'A' {
			changed[i] = 'B'
		}
		if _, err := k.Open("someone", record.Sealed{KeyID: "k", Box: string(changed)}); err == nil {
			t.Errorf("opened with character %d changed", i)
		}
	}
	for _, box := range []string{"", "AAAA", sealed.Box[:len(sealed.Box)-4], sealed.Box + "="} {
		if _, err := k.Open("someone", record.Sealed{KeyID: "k", Box: box}); err == nil {
			t.Errorf("opened %q", box)
		}
	}
	var none Keys
	if _, err := none.Seal(source(), "someone", []byte("x")); !fault.Is(err, fault.Precondition) || none.Any() {
		t.Errorf("without a key: %v", err)
	}
}

func TestReadRefuses(t *testing.T) {
	good := line(t, "k", 1)
	for name, text := range map[string]string{
		"nothing": "", "comments alone": "# none\n", "twice": good + good, "no id": good[2:], "capitals": "K" + good[1:], "short": good[:len(good)-5] + "\n", "two blanks": "k " + good[1:],
		"a word more": strings.TrimSpace(good) + " more\n",
	} {
		if _, err := Read([]byte(text)); err == nil || strings.Contains(err.Error(), good[2:10]) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := NewLine(source(), "no blanks"); err == nil {
		t.Error("an id with a blank")
	}
	if _, err := NewLine(bytes.NewReader(nil), "k"); err == nil {
		t.Error("a key without randomness")
	}
	k := keys(t, good)
	for _, shown := range []string{fmt.Sprint(k), fmt.Sprintf("%+v", k), fmt.Sprintf("%#v", k)} {
		if shown != "factor.Keys{...}" {
			t.Errorf("printed as %s", shown)
		}
	}
}
