package seal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"ponderal.example/internal/canon"
)

func TestJWKS(t *testing.T) {
	var v joseVectors
	reference(t, "10_jws_eddsa_rfc8037.json", &v)
	// RFC 8037 A.2's public key under the thumbprint of A.3 (S114).
	want := `{"keys":[{"crv":"Ed25519","kid":"` + v.Thumbprint.Value + `","kty":"OKP","ponderal_use":"result","x":"` + v.JWK.X + `"}]}`
	got, err := testRing(t, rfc8037Key(t, v)).JWKS()
	if err != nil || string(got) != want {
		t.Errorf("got %s, %v, want %s", got, err, want)
	}
	if got, err := (Ring{}).JWKS(); string(got) != `{"keys":[]}` || err != nil {
		t.Errorf("empty ring: %s, %v", got, err)
	}
}

func TestRingRoundTrip(t *testing.T) {
	result, log := testKey(t, 1, UseResult), testKey(t, 2, UseLog)
	doc, err := testRing(t, result, log).JWKS()
	if err != nil {
		t.Fatal(err)
	}
	var spaced bytes.Buffer
	if err := json.Indent(&spaced, doc, "", "  "); err != nil {
		t.Fatal(err)
	}
	for _, text := range [][]byte{doc, spaced.Bytes()} {
		ring, err := ParseJWKS(text)
		if err != nil {
			t.Fatal(err)
		}
		if again, err := ring.JWKS(); err != nil || !bytes.Equal(again, doc) {
			t.Errorf("re-encodes to %s, %v", again, err)
		}
		if keys := ring.Keys(); len(keys) != 2 || keys[0].ID != result.ID || keys[1].ID != log.ID {
			t.Errorf("keys %v", keys)
		}
		checkFind(t, ring, result.ID, UseResult, nil)
		checkFind(t, ring, log.ID, UseLog, nil)
		checkFind(t, ring, result.ID, UseLog, ErrUse)
		checkFind(t, ring, log.ID, UseResult, ErrUse)
		checkFind(t, ring, "none", UseLog, ErrUnknownKey)
		checkFind(t, ring, "", UseLog, ErrUnknownKey)
	}
}

func checkFind(t *testing.T, r Ring, id string, use Use, want error) {
	t.Helper()
	got, err := r.Find(id, use)
	if !errors.Is(err, want) || want == nil && (got.ID != id || got.Use != use) {
		t.Errorf("Find(%q, %s) = %v, %v, want error %v", id, use, got, err, want)
	}
}

func TestNewRingRefuses(t *testing.T) {
	a, b := testKey(t, 1, UseResult).Public(), testKey(t, 2, UseLog).Public()
	both := a
	both.Use = UseLog
	renamed, unused, short := a, a, a
	renamed.ID, unused.Use, short.Key = b.ID, "other", a.Key[:31]
	for name, tt := range map[string]struct {
		keys []PublicKey
		want error
	}{
		"two keys":           {[]PublicKey{a, b}, nil},
		"twice":              {[]PublicKey{a, b, a}, ErrDuplicateKey},
		"one for both uses":  {[]PublicKey{a, both}, ErrDuplicateKey},
		"another thumbprint": {[]PublicKey{renamed}, ErrThumbprint},
		"unknown use":        {[]PublicKey{unused}, ErrUse},
		"short":              {[]PublicKey{short}, ErrKey},
	} {
		if _, err := NewRing(tt.keys...); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

func TestRingIsNotChangedFromOutside(t *testing.T) {
	public := testKey(t, 1, UseResult).Public()
	public.Key = append(ed25519.PublicKey{}, public.Key...)
	ring, err := NewRing(public)
	if err != nil {
		t.Fatal(err)
	}
	before, err := ring.JWKS()
	if err != nil {
		t.Fatal(err)
	}
	public.Key[0] ^= 1
	ring.Keys()[0].Use = UseLog
	if after, err := ring.JWKS(); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the ring became %s, %v", after, err)
	}
}

// marked is a set with a key of each standing.
func marked(t testing.TB) Ring {
	t.Helper()
	inUse, retired, compromised := testKey(t, 1, UseResult).Public(), testKey(t, 2, UseResult).Public(), testKey(t, 3, UseLog).Public()
	retired.RetiredAt = leaked.Add(999 * time.Nanosecond).In(time.FixedZone("", -7*3600))
	compromised.RetiredAt, compromised.CompromisedFrom = leaked.Add(time.Hour), leaked
	ring, err := NewRing(inUse, retired, compromised)
	if err != nil {
		t.Fatal(err)
	}
	return ring
}

func markedSet(t testing.TB) []byte {
	t.Helper()
	doc, err := marked(t).JWKS()
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// TestStandingIsPublished: the standing of a key survives the key set, in UTC to the microsecond, and stands nowhere but with that key.
func TestStandingIsPublished(t *testing.T) {
	doc := markedSet(t)
	for text, want := range map[string]int{
		`"ponderal_retired_at":"2026-06-01T08:30:00.25Z","ponderal_use":"result"`:                                                    1,
		`"ponderal_compromised_from":"2026-06-01T08:30:00.25Z","ponderal_retired_at":"2026-06-01T09:30:00.25Z","ponderal_use":"log"`: 1,
		"ponderal_retired_at": 2, "ponderal_compromised_from": 1,
	} {
		if got := strings.Count(string(doc), text); got != want {
			t.Errorf("%s stands %d times, want %d, in %s", text, got, want, doc)
		}
	}
	ring, err := ParseJWKS(doc)
	if err != nil {
		t.Fatal(err)
	}
	for i, k := range ring.Keys() {
		want := marked(t).Keys()[i]
		if k.ID != want.ID || !k.RetiredAt.Equal(want.RetiredAt) || !k.CompromisedFrom.Equal(want.CompromisedFrom) {
			t.Errorf("key %d is read as %+v, want %+v", i, k, want)
		}
	}
}

// TestOthersReadAMarkedSet: RFC 7517 section 4 lets a key hold further members, which those who do not understand them must ignore. A reader that
// nobody here wrote finds the same keys in a set with and without them.
func TestOthersReadAMarkedSet(t *testing.T) {
	var set jose.JSONWebKeySet
	if err := json.Unmarshal(markedSet(t), &set); err != nil {
		t.Fatal(err)
	}
	keys := marked(t).Keys()
	if len(set.Keys) != len(keys) {
		t.Fatalf("%d keys, want %d", len(set.Keys), len(keys))
	}
	for i, k := range keys {
		if public, ok := set.Keys[i].Key.(ed25519.PublicKey); !ok || !public.Equal(k.Key) || set.Keys[i].KeyID != k.ID {
			t.Errorf("key %d is read as %v of id %q", i, set.Keys[i].Key, set.Keys[i].KeyID)
		}
	}
}

// TestSetOfBefore: a set without marks is the bytes that it was before there were any; this one was published by the program of that time
// (the same file stands beside its bundle).
func TestSetOfBefore(t *testing.T) {
	doc, err := os.ReadFile("../bundle/testdata/rules1_jwks.json")
	if err != nil {
		t.Fatal(err)
	}
	ring, err := ParseJWKS(doc)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := ring.JWKS(); err != nil || !bytes.Equal(again, bytes.TrimSpace(doc)) {
		t.Errorf("written again as %s, %v, want %s", again, err, doc)
	}
	for _, k := range ring.Keys() {
		if err := k.MaySign(); err != nil {
			t.Errorf("key %s: %v", k.ID, err)
		}
	}
}

func TestParseJWKSRefuses(t *testing.T) {
	key := testKey(t, 1, UseResult)
	good, err := testRing(t, key).JWKS()
	if err != nil {
		t.Fatal(err)
	}
	doc := string(good)
	x := doc[strings.Index(doc, `"x":"`)+5 : len(doc)-4]
	swap := func(old, new string) string {
		out := strings.Replace(doc, old, new, 1)
		if out == doc {
			t.Fatalf("%q does not stand in %s", old, doc)
		}
		return out
	}
	one := doc[len(`{"keys":[`) : len(doc)-2]
	for name, tt := range map[string]struct {
		doc  string
		want error
	}{
		"as written":            {doc, nil},
		"no JSON":               {"keys", ErrKeySet},
		"empty":                 {"", ErrKeySet},
		"null":                  {"null", ErrKeySet},
		"an array":              {"[]", ErrKeySet},
		"no keys":               {"{}", ErrKeySet},
		"null keys":             {`{"keys":null}`, ErrKeySet},
		"an empty key":          {`{"keys":[{}]}`, ErrKeySet},
		"private member":        {swap(`"kid"`, `"d":"nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A","kid"`), ErrPrivateMember},
		"private member, empty": {swap(`"kid"`, `"d":"","kid"`), ErrPrivateMember},
		"null private member":   {swap(`"kid"`, `"d":null,"kid"`), ErrKeySet},
		"unknown member":        {swap(`"kid"`, `"alg":"EdDSA","kid"`), ErrKeySet},
		"unknown outer member":  {swap(`{"keys"`, `{"a":1,"keys"`), ErrKeySet},
		"member in capitals":    {swap(`"kid"`, `"KID"`), ErrKeySet},
		"member twice":          {swap(`"kty":"OKP"`, `"kty":"OKP","kty":"OKP"`), ErrKeySet},
		"trailing data":         {doc + "{}", ErrKeySet},
		"another kty":           {swap(`"OKP"`, `"EC"`), ErrKeySet},
		"another crv":           {swap(`"Ed25519"`, `"X25519"`), ErrKeySet},
		"unknown use":           {swap(`"result"`, `"other"`), ErrUse},
		"no use":                {swap(`,"ponderal_use":"result"`, ``), ErrUse},
		"another kid":           {swap(key.ID, testKey(t, 2, UseResult).ID), ErrThumbprint},
		"no kid":                {swap(`"kid":"`+key.ID+`",`, ``), ErrThumbprint},
		"short x":               {swap(x, x[:42]), ErrKeySet},
		"long x":                {swap(x, x+"AA"), ErrKeySet},
		"padded x":              {swap(x, x+"="), ErrKeySet},
		"x with a line break":   {swap(x, x[:5]+`\n`+x[5:]), ErrKeySet},
		"x with loose bits":     {swap(x, x[:42]+string(x[42]+1)), ErrKeySet},
		"retired at":            {swap(`"ponderal_use"`, `"ponderal_retired_at":"2026-06-01T08:30:00Z","ponderal_use"`), nil},
		"retired, null":         {swap(`"ponderal_use"`, `"ponderal_retired_at":null,"ponderal_use"`), ErrKeySet},
		"retired, empty":        {swap(`"ponderal_use"`, `"ponderal_retired_at":"","ponderal_use"`), ErrMoment},
		"retired, a number":     {swap(`"ponderal_use"`, `"ponderal_retired_at":1780302600,"ponderal_use"`), ErrKeySet},
		"retired in capitals":   {swap(`"ponderal_use"`, `"Ponderal_Retired_At":"2026-06-01T08:30:00Z","ponderal_use"`), ErrKeySet},
		"compromised from":      {swap(`"ponderal_use"`, `"ponderal_compromised_from":"2026-06-01T08:30:00Z","ponderal_use"`), nil},
		"compromised, null":     {swap(`"ponderal_use"`, `"ponderal_compromised_from":null,"ponderal_use"`), ErrKeySet},
		"compromised, no time":  {swap(`"ponderal_use"`, `"ponderal_compromised_from":"2026-06-01","ponderal_use"`), ErrMoment},
		"compromised, offset":   {swap(`"ponderal_use"`, `"ponderal_compromised_from":"2026-06-01T08:30:00+01:00","ponderal_use"`), ErrMoment},
		"compromised, a flag":   {swap(`"ponderal_use"`, `"ponderal_compromised":true,"ponderal_use"`), ErrKeySet},
		"a key twice":           {swap(one, one+","+one), ErrDuplicateKey},
		"a key for both uses":   {swap(one, one+","+strings.Replace(one, `"result"`, `"log"`, 1)), ErrDuplicateKey},
	} {
		if _, err := ParseJWKS([]byte(tt.doc)); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

func FuzzParseJWKS(f *testing.F) {
	for _, keys := range [][]Key{nil, {testKey(f, 1, UseResult)}, {testKey(f, 1, UseLog), testKey(f, 2, UseResult)}} {
		doc, err := testRing(f, keys...).JWKS()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(doc)
		f.Add(bytes.ReplaceAll(doc, []byte(":"), []byte(": ")))
	}
	f.Add(markedSet(f))
	f.Fuzz(func(t *testing.T, doc []byte) {
		ring, err := ParseJWKS(doc)
		if err != nil {
			return
		}
		canonical, err := canon.Transform(doc)
		if err != nil {
			t.Fatalf("accepted what is not JSON: %q", doc)
		}
		again, err := ring.JWKS()
		if err != nil || !bytes.Equal(again, canonical) {
			t.Fatalf("%q re-encodes to %q, %v", canonical, again, err)
		}
		if _, err := ParseJWKS(again); err != nil {
			t.Fatalf("%q is refused: %v", again, err)
		}
	})
}
