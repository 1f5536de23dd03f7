package seal

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// reference reads a file of published vectors.
func reference(t testing.TB, name string, into any) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, into); err != nil {
		t.Fatal(err)
	}
}

// testKey is the key of a seed of equal bytes: the same in every run.
func testKey(t testing.TB, seed byte, use Use) Key {
	t.Helper()
	k, err := GenerateKey(bytes.NewReader(bytes.Repeat([]byte{seed}, 32)), use)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func testRing(t testing.TB, keys ...Key) Ring {
	t.Helper()
	public := make([]PublicKey, len(keys))
	for i, k := range keys {
		public[i] = k.Public()
	}
	ring, err := NewRing(public...)
	if err != nil {
		t.Fatal(err)
	}
	return ring
}

// TestSignaturesOfRFC8032 checks GenerateKey's reading of a seed, and the
// signatures, against RFC 8032 section 7.1 (S113).
func TestSignaturesOfRFC8032(t *testing.T) {
	var ref struct {
		Vectors []struct {
			Name      string
			Secret    string `json:"secret_key"`
			Public    string `json:"public_key"`
			Message   string
			Signature string
		}
	}
	reference(t, "10_ed25519_rfc8032.json", &ref)
	if len(ref.Vectors) != 4 {
		t.Fatalf("%d vectors, want 4", len(ref.Vectors))
	}
	for _, v := range ref.Vectors {
		key, err := GenerateKey(bytes.NewReader(unhexed(t, v.Secret)), UseResult)
		if err != nil {
			t.Fatal(err)
		}
		if got := hex.EncodeToString(key.Public().Key); got != v.Public {
			t.Errorf("%s: public key %s, want %s", v.Name, got, v.Public)
		}
		message := unhexed(t, v.Message)
		if got := hex.EncodeToString(ed25519.Sign(key.private(), message)); got != v.Signature {
			t.Errorf("%s: signature %s, want %s", v.Name, got, v.Signature)
		}
		// What signs results and checkpoints is the same primitive.
		signature, err := key.Sign(t.Context(), message)
		if err != nil || hex.EncodeToString(signature) != v.Signature {
			t.Errorf("%s: signature %x, %v", v.Name, signature, err)
		}
	}
}

func unhexed(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// joseVectors is RFC 8037 appendix A (S114), RFC 7638 (S118) and RFC 7515
// appendix A.1 (S115).
type joseVectors struct {
	JWK        struct{ D, X string }
	Compact    string
	Payload    string
	Thumbprint struct{ Value string }   `json:"jwk_thumbprint_sha256"`
	HS256      struct{ Compact string } `json:"rfc7515_hs256"`
}

// rfc8037Key is the key of RFC 8037 appendix A.1.
func rfc8037Key(t testing.TB, v joseVectors) Key {
	t.Helper()
	seed, err := base64.RawURLEncoding.DecodeString(v.JWK.D)
	if err != nil {
		t.Fatal(err)
	}
	key, err := GenerateKey(bytes.NewReader(seed), UseResult)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func TestThumbprintOfRFC8037(t *testing.T) {
	var v joseVectors
	reference(t, "10_jws_eddsa_rfc8037.json", &v)
	key := rfc8037Key(t, v)
	if key.ID != v.Thumbprint.Value {
		t.Errorf("id %s, want %s", key.ID, v.Thumbprint.Value)
	}
	if got := base64.RawURLEncoding.EncodeToString(key.Public().Key); got != v.JWK.X {
		t.Errorf("x %s, want %s", got, v.JWK.X)
	}
	if _, err := Thumbprint(ed25519.PublicKey("short")); !errors.Is(err, ErrKey) {
		t.Errorf("%v, want ErrKey", err)
	}
}

func TestGenerateKeyRefuses(t *testing.T) {
	if _, err := GenerateKey(bytes.NewReader(make([]byte, 31)), UseLog); err == nil {
		t.Error("31 bytes made a key")
	}
	if _, err := GenerateKey(bytes.NewReader(make([]byte, 32)), "other"); !errors.Is(err, ErrUse) {
		t.Errorf("%v, want ErrUse", err)
	}
}

// TestKeyCannotBePrinted looks for the seed in every form in which Go prints.
func TestKeyCannotBePrinted(t *testing.T) {
	key := testKey(t, 0xA7, UseLog)
	type hidden struct{ k Key }
	var out strings.Builder
	for _, verb := range strings.Fields("%v %+v %#v %s %q %x %X %d %o %b %T %p") {
		for _, v := range []any{key, &key, []Key{key}, map[string]Key{"k": key}, hidden{key}, &hidden{key}} {
			fmt.Fprintf(&out, verb+"\n", v)
		}
	}
	slog.New(slog.NewJSONHandler(&out, nil)).Info("m", "key", key, "keys", []Key{key}, "hidden", hidden{key})
	slog.New(slog.NewTextHandler(&out, nil)).Info("m", "key", key, "keys", []Key{key}, "hidden", hidden{key})
	b, err := json.Marshal(map[string]any{"key": key, "pointer": &key})
	if err != nil {
		t.Fatal(err)
	}
	out.Write(b)
	out.WriteString(key.String() + key.GoString())
	seed := key.private().Seed()
	forms := []string{
		string(seed[:4]), hex.EncodeToString(seed[:4]), strings.ToUpper(hex.EncodeToString(seed[:4])), "167 167 167 167",
		"0xa7, 0xa7", "247 247 247", "10100111 10100111", `\xa7\xa7`, "167,167",
		base64.StdEncoding.EncodeToString(seed)[:8], base64.RawURLEncoding.EncodeToString(seed)[:8],
	}
	for _, f := range forms {
		if strings.Contains(out.String(), f) {
			t.Errorf("the seed shows as %q in\n%s", f, out.String())
		}
	}
	if !strings.Contains(out.String(), key.ID) {
		t.Error("the id does not show")
	}
}

func TestPEM(t *testing.T) {
	key := testKey(t, 1, UseResult)
	text, err := EncodeKeyPEM(key)
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParseKeyPEM(text, UseLog)
	if err != nil || back.ID != key.ID || back.Use != UseLog || !back.private().Equal(key.private()) {
		t.Errorf("key %v, %v, want that of %v", back, err, key)
	}
	if _, err := EncodeKeyPEM(Key{ID: key.ID, Use: UseLog}); !errors.Is(err, ErrKey) {
		t.Errorf("encode without a secret: %v, want ErrKey", err)
	}
	if _, err := ParseKeyPEM(text, "other"); !errors.Is(err, ErrUse) {
		t.Errorf("unknown use: %v, want ErrUse", err)
	}
	ec, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	ecDER, err := x509.MarshalPKCS8PrivateKey(ec)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(text)
	withHeader := &pem.Block{Type: pemType, Headers: map[string]string{"a": "b"}, Bytes: block.Bytes}
	for name, bad := range map[string][]byte{
		"empty":          {},
		"another curve":  pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: ecDER}),
		"another type":   pem.EncodeToMemory(&pem.Block{Type: "ED25519 PRIVATE KEY", Bytes: block.Bytes}),
		"headers":        pem.EncodeToMemory(withHeader),
		"not PKCS #8":    pem.EncodeToMemory(&pem.Block{Type: pemType, Bytes: block.Bytes[1:]}),
		"twice":          append(bytes.Clone(text), text...),
		"text before":    append([]byte("note\n"), text...),
		"text after":     append(bytes.Clone(text), "note\n"...),
		"no end of line": bytes.TrimSpace(text),
		"other lines":    bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")),
	} {
		if _, err := ParseKeyPEM(bad, UseResult); !errors.Is(err, ErrKey) {
			t.Errorf("%s: %v, want ErrKey", name, err)
		}
	}
}

func FuzzParseKeyPEM(f *testing.F) {
	text, err := EncodeKeyPEM(testKey(f, 1, UseResult))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add(bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")))
	f.Fuzz(func(t *testing.T, text []byte) {
		key, err := ParseKeyPEM(text, UseLog)
		if err != nil {
			return
		}
		if again, err := EncodeKeyPEM(key); err != nil || !bytes.Equal(again, text) {
			t.Fatalf("%q re-encodes to other bytes, %v", text, err)
		}
	})
}
