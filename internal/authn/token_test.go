package authn

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/google/uuid"

	"ponderal.example/internal/fault"
)

func TestMintAndParse(t *testing.T) {
	for range 200 {
		id, text, hash, err := Mint(rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		gotID, secret, err := Parse(text)
		if err != nil || gotID != id || secret.Hash() != hash {
			t.Fatalf("parse what was minted: id %s want %s, %v", gotID, id, err)
		}
	}
}

func TestTokenFormat(t *testing.T) {
	source := bytes.NewReader(bytes.Repeat([]byte{0xfb}, secretSize))
	const id = "019a0000-0000-7000-8000-0000000000aa"
	_, text, hash, err := MintFor(source, id)
	if err != nil {
		t.Fatal(err)
	}
	// Built here from RFC 4648 and FIPS 180-4 by the standard library, apart from the code under test.
	u := uuid.MustParse(id)
	raw := bytes.Repeat([]byte{0xfb}, secretSize)
	want := "pdl_" + base64.RawURLEncoding.EncodeToString(u[:]) + "_" + base64.RawURLEncoding.EncodeToString(raw)
	sum := sha256.Sum256(raw)
	if text != want || hash != hex.EncodeToString(sum[:]) {
		t.Errorf("got %s %s, want %s %x", text, hash, want, sum)
	}
	if len(text) != 4+22+1+43 {
		t.Errorf("length %d", len(text))
	}
}

func TestMintRefuses(t *testing.T) {
	if _, _, _, err := Mint(io.LimitReader(rand.Reader, 47)); err == nil {
		t.Error("minted with 47 random bytes of 48")
	}
	if _, _, _, err := Mint(io.LimitReader(rand.Reader, 48)); err != nil {
		t.Errorf("48 random bytes: %v", err)
	}
	for _, id := range []string{"", "x", "019A0000-0000-7000-8000-0000000000AA", "{019a0000-0000-7000-8000-0000000000aa}"} {
		if _, _, _, err := MintFor(rand.Reader, id); !fault.Is(err, fault.Invalid) {
			t.Errorf("id %q: %v, want Invalid", id, err)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	_, good, _, err := MintFor(bytes.NewReader(make([]byte, secretSize)), "019a0000-0000-7000-8000-0000000000aa")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := Parse(good); err != nil {
		t.Fatal(err)
	}
	_, _, want := Parse("")
	for name, text := range map[string]string{
		"empty":               "",
		"prefix only":         "pdl_",
		"short":               good[:len(good)-1],
		"long":                good + "A",
		"another prefix":      "pdx_" + good[4:],
		"capital prefix":      "PDL_" + good[4:],
		"no separator":        good[:26] + "-" + good[27:],
		"bad id character":    good[:5] + "+" + good[6:],
		"bad secret":          good[:30] + "/" + good[31:],
		"padded":              good[:len(good)-1] + "=",
		"loose bits in id":    good[:25] + "r" + good[26:],
		"loose bits in end":   good[:len(good)-1] + "B",
		"line break":          good[:30] + "\n" + good[31:],
		"space before":        " " + good[:len(good)-1],
		"with its scheme":     "Bearer " + good,
		"not UTF-8":           good[:30] + "\xff" + good[31:],
		"a carriage return":   good[:40] + "\r" + good[41:],
		"nothing but letters": strings.Repeat("A", len(good)),
	} {
		_, _, err := Parse(text)
		var got, uniform *fault.Error
		if !errors.As(err, &got) || !errors.As(want, &uniform) || got.Kind != fault.Unauthenticated || got.Error() != uniform.Error() {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
}

func TestSecretIsNotPrinted(t *testing.T) {
	raw := bytes.Repeat([]byte{0xAB}, secretSize)
	_, text, hash, err := MintFor(bytes.NewReader(raw), "019a0000-0000-7000-8000-0000000000aa")
	if err != nil {
		t.Fatal(err)
	}
	_, secret, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	marshalled, err := json.Marshal(secret)
	if err != nil {
		t.Fatal(err)
	}
	printed := fmt.Sprintf("%v %+v %#v %s %q %x %d", secret, secret, secret, secret, secret, secret, secret) +
		fmt.Sprintf("%v %#v", struct{ s Secret }{secret}, struct{ s *Secret }{&secret}) + string(marshalled)
	for _, leak := range []string{"171, 171", "171 171", "abab", "q6ur", hash, `\xab`} {
		if strings.Contains(strings.ToLower(printed), leak) {
			t.Errorf("printed %s holds %q", printed, leak)
		}
	}
}

func FuzzParse(f *testing.F) {
	for range 3 {
		_, text, _, err := Mint(rand.Reader)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
		f.Add(text[:len(text)-1])
	}
	f.Add("pdl_AZoAAAAAcACAAAAAAAAAqg_" + strings.Repeat("_", 43))
	f.Fuzz(func(t *testing.T, text string) {
		id, secret, err := Parse(text)
		if err != nil {
			if !fault.Is(err, fault.Unauthenticated) {
				t.Fatalf("%q: %v, want Unauthenticated", text, err)
			}
			return
		}
		if again := format(uuid.MustParse(id), secret.bytes()); again != text {
			t.Fatalf("%q re-encodes to %q", text, again)
		}
	})
}
