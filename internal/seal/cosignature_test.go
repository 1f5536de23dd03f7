package seal

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"filippo.io/torchwood"
	"golang.org/x/mod/sumdb/note"
)

// cosigner signs as filippo.io/torchwood does, which nobody here wrote: an implementation of C2SP tlog-cosignature by its author.
func cosigner(t testing.TB, name string) (*torchwood.CosignatureSigner, ed25519.PrivateKey) {
	t.Helper()
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s, err := torchwood.NewCosignatureSigner(name, private)
	if err != nil {
		t.Fatal(err)
	}
	return s, private
}

// cosigned is the line that a signer adds to a note of that text.
func cosigned(t testing.TB, s note.Signer, text string) string {
	t.Helper()
	signed, err := note.Sign(&note.Note{Text: text}, s)
	if err != nil {
		t.Fatal(err)
	}
	_, line, _ := strings.Cut(string(signed), "\n\n")
	return line
}

func witnessOf(t testing.TB, s *torchwood.CosignatureSigner) Witness {
	t.Helper()
	w, err := ParseWitness(s.Verifier().String())
	if err != nil {
		t.Fatal(err)
	}
	return w
}

var headOfLog = Checkpoint{Origin: "log.clinic.example/1", Size: 5, Root: [32]byte{7}}

func TestCosignatureOfAnotherImplementation(t *testing.T) {
	before := time.Now().Add(-2 * time.Second)
	s, _ := cosigner(t, "witness.example/one")
	w := witnessOf(t, s)
	if w.Name() != s.Name() || w.KeyHash() != s.KeyHash() || w.String() != s.Verifier().String() {
		t.Errorf("%s, want %s", w, s.Verifier())
	}
	line := cosigned(t, s, headOfLog.Text())
	got, err := VerifyCosignature(w, headOfLog, line)
	if err != nil || got.Line != line || got.At.Before(before) || got.At.After(time.Now().Add(2*time.Second)) {
		t.Errorf("%+v, %v", got, err)
	}
	// The other way: what the other implementation's verifier says of the same bytes.
	_, raw, _ := signatureLine(line)
	if !s.Verifier().Verify([]byte(headOfLog.Text()), raw[4:]) || !w.Verify([]byte(headOfLog.Text()), raw[4:]) {
		t.Error("the two verifiers do not agree on a good cosignature")
	}
	raw[4+8] ^= 1
	if s.Verifier().Verify([]byte(headOfLog.Text()), raw[4:]) || w.Verify([]byte(headOfLog.Text()), raw[4:]) {
		t.Error("a bit of the signature changed and a verifier took it")
	}
}

// TestPublishedCosignature: the example of C2SP tlog-cosignature (https://c2sp.org/tlog-cosignature, section Format), whose time the section
// "Ed25519 signed message" gives as 1679315147; its key is not published.
func TestPublishedCosignature(t *testing.T) {
	const line = "— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==\n"
	name, at, err := ReadCosignature(line)
	if err != nil || name != "witness.example.com/w1" || at.Unix() != 1679315147 {
		t.Errorf("%s, %v, %v", name, at, err)
	}
	for _, bad := range []string{"", line + line, strings.Replace(line, "jWbPPwAAAABk", "jWbPP4AAAABk", 1), "— witness.example.com/w1 jWbPPwAA\n"} {
		if _, _, err := ReadCosignature(bad); !errors.Is(err, ErrMalformed) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestCosignaturesThatAreNone(t *testing.T) {
	s, private := cosigner(t, "witness.example/one")
	other, _ := cosigner(t, "witness.example/one")
	w, line := witnessOf(t, s), cosigned(t, s, headOfLog.Text())
	root, size, origin := headOfLog, headOfLog, headOfLog
	root.Root[31]++
	size.Size++
	origin.Origin = "log.clinic.example/2"
	// A plain signature of the text by the witness's own key, and one with a time that no clock has.
	plain := append(make([]byte, 8), ed25519.Sign(private, []byte(headOfLog.Text()))...)
	beyond := binary.BigEndian.AppendUint64(nil, 1<<63)
	beyond = append(beyond, ed25519.Sign(private, []byte("cosignature/v1\ntime 9223372036854775808\n"+headOfLog.Text()))...)
	under := func(sig []byte) string {
		return "— witness.example/one " + base64.StdEncoding.EncodeToString(append(binary.BigEndian.AppendUint32(nil, w.KeyHash()), sig...)) + "\n"
	}
	for _, c := range []struct {
		name string
		head Checkpoint
		line string
		want error
	}{
		{"as it is", headOfLog, line, nil},
		{"another root", root, line, ErrSignature}, {"another size", size, line, ErrSignature}, {"another log", origin, line, ErrSignature},
		{"another key of that name", headOfLog, cosigned(t, other, headOfLog.Text()), ErrUnknownKey},
		{"another name", headOfLog, strings.Replace(line, "/one", "/two", 1), ErrUnknownKey},
		{"not a cosignature but a signature", headOfLog, under(plain), ErrSignature},
		{"a time beyond 2^63 - 1", headOfLog, under(beyond), ErrSignature},
		{"cut", headOfLog, under(plain[:40]), ErrSignature},
		{"no newline", headOfLog, strings.TrimSuffix(line, "\n"), ErrMalformed}, {"two lines", headOfLog, line + line, ErrMalformed},
		{"no dash", headOfLog, strings.TrimPrefix(line, "— "), ErrMalformed}, {"loose base64", headOfLog, strings.Replace(line, "==\n", "=\n", 1), ErrMalformed},
		{"empty", headOfLog, "", ErrMalformed},
	} {
		if _, err := VerifyCosignature(w, c.head, c.line); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
	if _, err := VerifyCosignature(Witness{}, headOfLog, line); !errors.Is(err, ErrUnknownKey) {
		t.Errorf("no witness: %v", err)
	}
}

func TestParseWitness(t *testing.T) {
	s, private := cosigner(t, "witness.example/one")
	good := s.Verifier().String()
	plain, err := note.NewEd25519VerifierKey("witness.example/one", private.Public().(ed25519.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ParseWitness(good); err != nil {
		t.Error(err)
	}
	hash := strings.Split(good, "+")[1]
	for name, vkey := range map[string]string{
		"empty": "", "name only": "witness.example/one", "a log's key": plain, "space in front": " " + good, "newline after": good + "\n",
		"another hash": strings.Replace(good, hash, "00000000", 1), "hash in capitals": strings.Replace(good, hash, strings.ToUpper(hash), 1),
		"another name": "x" + good, "no name": good[strings.Index(good, "+"):], "cut": good[:len(good)-4], "too long": strings.Repeat("w", 600) + good,
	} {
		if name == "hash in capitals" && strings.ToUpper(hash) == hash {
			continue // a hash of digits alone has no capitals
		}
		if _, err := ParseWitness(vkey); !errors.Is(err, ErrWitness) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestCosignedSortsTheSignatures(t *testing.T) {
	one, _ := cosigner(t, "witness.example/one")
	two, _ := cosigner(t, "witness.example/two")
	text := headOfLog.Text()
	first, second := cosigned(t, one, text), cosigned(t, two, text)
	log := "— " + headOfLog.Origin + " AAAAAAAA\n"
	signed := AddCosignatures(text+"\n"+log, first, second, first)
	if signed != text+"\n"+log+first+second {
		t.Errorf("%q", signed)
	}
	by, others, err := Cosigned(headOfLog, signed, []Witness{witnessOf(t, one)})
	if err != nil || len(by) != 1 || by[0].Witness.Name() != "witness.example/one" || !slices.Equal(others, []string{"witness.example/two"}) {
		t.Errorf("%v, %v, %v", by, others, err)
	}
	if by, others, err = Cosigned(headOfLog, signed, nil); err != nil || len(by) != 0 || len(others) != 2 {
		t.Errorf("nobody known: %v, %v, %v", by, others, err)
	}
	forged := cosigned(t, one, strings.Replace(text, "\n5\n", "\n6\n", 1))
	if _, _, err := Cosigned(headOfLog, text+"\n"+log+forged, []Witness{witnessOf(t, one)}); !errors.Is(err, ErrSignature) {
		t.Errorf("a known witness's cosignature of another head: %v", err)
	}
}

func FuzzParseWitness(f *testing.F) {
	s, _ := cosigner(f, "witness.example/one")
	f.Add(s.Verifier().String())
	f.Add("a+00000000+BAAA")
	f.Fuzz(func(t *testing.T, vkey string) {
		if w, err := ParseWitness(vkey); err == nil && w.String() != vkey {
			t.Errorf("%q was taken and is written %q", vkey, w)
		}
	})
}

// FuzzSignatureLine: a line that is taken is the only spelling of itself.
func FuzzSignatureLine(f *testing.F) {
	s, _ := cosigner(f, "witness.example/one")
	f.Add(cosigned(f, s, headOfLog.Text()))
	f.Add("— a AAAAAAA=\n")
	f.Fuzz(func(t *testing.T, line string) {
		name, raw, err := signatureLine(line)
		if err == nil && "— "+name+" "+base64.StdEncoding.EncodeToString(raw)+"\n" != line {
			t.Errorf("%q was taken", line)
		}
	})
}
