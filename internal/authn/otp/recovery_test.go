package otp

import (
	"bytes"
	"crypto/rand"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
)

func TestRecovery(t *testing.T) {
	codes, hashes, err := NewRecovery(rand.Reader)
	if err != nil || len(codes) != RecoveryCodes || len(hashes) != RecoveryCodes {
		t.Fatalf("%d codes, %d hashes, %v", len(codes), len(hashes), err)
	}
	seen := make(map[string]bool)
	for i, code := range codes {
		seen[code] = true
		for _, typed := range []string{code, strings.ToUpper(code), strings.ReplaceAll(code, "-", ""), strings.ReplaceAll(code, "-", " "),
			strings.NewReplacer("0", "O", "1", "l").Replace(code), strings.NewReplacer("0", "o", "1", "I").Replace(code)} {
			if got, err := MatchRecovery(hashes, typed); err != nil || got != i {
				t.Errorf("code %d typed as %q: %d, %v", i, typed, got, err)
			}
		}
		if strings.Contains(strings.Join(hashes, " "), code) {
			t.Error("a hash holds its code")
		}
	}
	if len(seen) != RecoveryCodes {
		t.Errorf("%d different codes", len(seen))
	}
	// Struck out, a code is refused, and the others are not.
	left := append(append([]string{}, hashes[:3]...), hashes[4:]...)
	if _, err := MatchRecovery(left, codes[3]); !fault.Is(err, fault.Unauthenticated) {
		t.Errorf("a code that was struck out: %v", err)
	}
	if got, err := MatchRecovery(left, codes[4]); err != nil || got != 3 {
		t.Errorf("its neighbour: %d, %v", got, err)
	}
}

// TestRecoveryFormat: the letters of Crockford's alphabet in the order of RFC 4648's bits.
func TestRecoveryFormat(t *testing.T) {
	ordered := bytes.NewReader(append([]byte{
		0x00, 0x44, 0x32, 0x14, 0xc7, // 0 1 2 3 4 5 6 7
		0x42, 0x54, 0xb6, 0x35, 0xcf, // 8 9 10 ... 15
		0x84, 0x65, 0x3a, 0x56, 0xd7, // 16 ... 23
	}, make([]byte, 15*9)...))
	codes, _, err := NewRecovery(ordered)
	if err != nil {
		t.Fatal(err)
	}
	if codes[0] != "0123-4567-89ab-cdef-ghjk-mnpq" || codes[1] != "0000-0000-0000-0000-0000-0000" {
		t.Errorf("%q %q", codes[0], codes[1])
	}
	if _, _, err := NewRecovery(bytes.NewReader(make([]byte, 15*10-1))); err == nil {
		t.Error("made with 149 random bytes of 150")
	}
}

func TestRecoveryRefuses(t *testing.T) {
	codes, hashes, err := NewRecovery(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	good := codes[0]
	empty := hashRecovery([recoveryBytes]byte{})
	for name, tt := range map[string]struct {
		hashes []string
		typed  string
	}{
		"empty":                           {hashes, ""},
		"empty, beside the hash of zeros": {append([]string{empty}, hashes...), ""},
		"unreadable, beside that hash":    {append([]string{empty}, hashes...), "uuuu-uuuu-uuuu-uuuu-uuuu-uuuu"},
		"one short":                       {hashes, good[:len(good)-1]},
		"one long":                        {hashes, good + "0"},
		"a letter that is none":           {hashes, "u" + good[1:]},
		"a sign":                          {hashes, "!" + good[1:]},
		"Kelvin's sign for k":             {hashes, "\u212a" + good[1:]},
		"far too long":                    {hashes, good + strings.Repeat("-", maxTypedBytes)},
		"no hashes":                       {nil, good},
		"an empty hash":                   {[]string{""}, good},
		"the hash itself":                 {hashes, hashes[0]},
	} {
		if i, err := MatchRecovery(tt.hashes, tt.typed); !fault.Is(err, fault.Unauthenticated) || i != 0 {
			t.Errorf("%s: %d, %v, want Unauthenticated", name, i, err)
		}
	}
}

func FuzzParseRecovery(f *testing.F) {
	f.Add("1a2b-3c4d-5e6f-7g8h-9j0k-mnpq")
	f.Add("OIL0-3c4d 5e6f7g8h9j0kmnpq")
	f.Fuzz(func(t *testing.T, typed string) {
		b, ok := parseRecovery(typed)
		if !ok {
			return
		}
		again, ok := parseRecovery(formatRecovery(b))
		if !ok || again != b {
			t.Fatalf("%q reads as %x, and its own form %q as %x", typed, b, formatRecovery(b), again)
		}
	})
}
