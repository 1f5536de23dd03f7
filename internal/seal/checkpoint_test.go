package seal

import (
	"bytes"
	"encoding/base64"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/mod/sumdb/note"
)

const origin = "log.ponderal.example/01890a5d-ac96-774b-bcce-b302099a8057"

func testRoot() [32]byte { return [32]byte(bytes.Repeat([]byte{0x5c}, 32)) }

func mustCheckpoint(t testing.TB, key Key, origin string, size int64) string {
	t.Helper()
	signed, err := SignCheckpoint(t.Context(), key, origin, size, testRoot())
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

// rawNote signs any text under any name, to make what SignCheckpoint would not.
func rawNote(t testing.TB, key Key, name, text string) string {
	t.Helper()
	v, err := noteVerifier(name, key.Public())
	if err != nil {
		t.Fatal(err)
	}
	signed, err := note.Sign(&note.Note{Text: text}, noteSigner{Verifier: v, sign: func(message []byte) ([]byte, error) { return key.Sign(t.Context(), message) }})
	if err != nil {
		t.Fatal(err)
	}
	return string(signed)
}

// cosign adds a signature by another key, as a witness would.
func cosign(t testing.TB, signed string, key Key, name string) string {
	t.Helper()
	text, _, ok := strings.Cut(signed, "\n\n")
	if !ok {
		t.Fatal("no signatures")
	}
	_, line, _ := strings.Cut(rawNote(t, key, name, text+"\n"), "\n\n")
	return signed + line
}

func TestSignAndVerifyCheckpoint(t *testing.T) {
	key, old := testKey(t, 1, UseLog), testKey(t, 2, UseLog)
	ring := testRing(t, old, testKey(t, 3, UseResult), key)
	for _, size := range []int64{0, 1, 1<<53 - 1} {
		signed := mustCheckpoint(t, key, origin, size)
		c, err := VerifyCheckpoint(ring, origin, signed)
		want := Checkpoint{Origin: origin, Size: size, Root: testRoot(), KeyIDs: []string{key.ID}}
		if d := cmp.Diff(want, c); d != "" || err != nil {
			t.Errorf("%v (-want +got)\n%s", err, d)
		}
		if !strings.HasPrefix(signed, c.Text()+"\n— "+origin+" ") {
			t.Errorf("the note is not the text and one signature: %s", signed)
		}
	}
	// Each log key alone and both together verify.
	for _, signed := range []string{
		mustCheckpoint(t, old, origin, 7),
		cosign(t, mustCheckpoint(t, old, origin, 7), key, origin),
	} {
		if _, err := VerifyCheckpoint(ring, origin, signed); err != nil {
			t.Error(err)
		}
	}
}

// TestCheckpointBody: the example of the C2SP tlog-checkpoint specification
// (from memory), but for its origin's name.
func TestCheckpointBody(t *testing.T) {
	text := "log.example/tree\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"
	c, err := ParseCheckpoint(text)
	if err != nil || c.Origin != "log.example/tree" || c.Size != 20852163 || c.Text() != text {
		t.Errorf("%+v, %v", c, err)
	}
	if got := base64.StdEncoding.EncodeToString(c.Root[:]); got != "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=" {
		t.Errorf("root %s", got)
	}
}

func TestParseCheckpointRefuses(t *testing.T) {
	const root = "XFxcXFxcXFxcXFxcXFxcXFxcXFxcXFxcXFxcXFxcXFw="
	if _, err := ParseCheckpoint("a\n1\n" + root + "\n"); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{
		"", "\n", "a\n1\n" + root, "a\n1\n" + root + "\n\n", "a\n1\n" + root + "\nextension\n", "\n1\n" + root + "\n",
		"a\n-1\n" + root + "\n", "a\n01\n" + root + "\n", "a\n+1\n" + root + "\n", "a\n1 \n" + root + "\n", "a\n\n" + root + "\n",
		"a\n9223372036854775808\n" + root + "\n", "a\n1\n" + root[:43] + "\n", "a\n1\n" + strings.TrimSuffix(root, "Fw=") + "Fx=\n",
		"a\n1\n" + root[:20] + "\r" + root[20:] + "\n", "a\n1\nXFxc\n", "a\n1\n\n", "a\n1\n" + root + "XFxc\n",
	} {
		if _, err := ParseCheckpoint(text); !errors.Is(err, ErrMalformed) {
			t.Errorf("%q: %v, want ErrMalformed", text, err)
		}
	}
}

func TestSignCheckpointRefuses(t *testing.T) {
	key := testKey(t, 1, UseLog)
	for name, tt := range map[string]struct {
		key    Key
		origin string
		size   int64
		want   error
	}{
		"result key":         {testKey(t, 1, UseResult), origin, 1, ErrUse},
		"no secret":          {Key{Use: UseLog}, origin, 1, ErrKey},
		"negative size":      {key, origin, -1, ErrMalformed},
		"empty origin":       {key, "", 1, ErrOrigin},
		"space in origin":    {key, "a b", 1, ErrOrigin},
		"plus in origin":     {key, "a+b", 1, ErrOrigin},
		"new line in origin": {key, "a\nb", 1, ErrOrigin},
		"control in origin":  {key, "a\x01b", 1, ErrOrigin},
	} {
		if _, err := SignCheckpoint(t.Context(), tt.key, tt.origin, tt.size, testRoot()); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

func TestVerifyCheckpointRefuses(t *testing.T) {
	key, stranger, resultKey := testKey(t, 1, UseLog), testKey(t, 2, UseLog), testKey(t, 3, UseResult)
	ring := testRing(t, key, resultKey)
	good := mustCheckpoint(t, key, origin, 7)
	text := Checkpoint{Origin: origin, Size: 7, Root: testRoot()}.Text()
	other := strings.Replace(origin, "a8057", "a8058", 1)
	_, line, _ := strings.Cut(good, "\n\n")
	_, forged, _ := strings.Cut(mustCheckpoint(t, key, origin, 8), "\n\n")
	for name, tt := range map[string]struct {
		signed string
		want   error
	}{
		"as it should be":                    {good, nil},
		"another log":                        {mustCheckpoint(t, key, other, 7), ErrOrigin},
		"another log under our name":         {rawNote(t, key, origin, strings.Replace(text, origin, other, 1)), ErrOrigin},
		"our log under another name":         {rawNote(t, key, other, text), ErrUnknownKey},
		"two origins":                        {rawNote(t, key, origin, origin+"\n"+text), ErrMalformed},
		"extension line":                     {rawNote(t, key, origin, text+"extension\n"), ErrMalformed},
		"extension line, unknown key":        {rawNote(t, stranger, origin, text+"extension\n"), ErrMalformed},
		"unknown key":                        {mustCheckpoint(t, stranger, origin, 7), ErrUnknownKey},
		"result key":                         {rawNote(t, resultKey, origin, text), ErrUse},
		"signature of another checkpoint":    {text + "\n" + forged, ErrSignature},
		"a witness's good one does not heal": {cosign(t, text+"\n"+forged, stranger, "witness.example"), ErrSignature},
		"signature twice":                    {good + line, ErrMalformed},
		"no signature":                       {text, ErrMalformed},
		"no signature line":                  {text + "\n", ErrMalformed},
		"empty":                              {"", ErrMalformed},
		"text after":                         {good + "x", ErrMalformed},
		"not UTF-8":                          {good[:5] + "\xff" + good[6:], ErrMalformed},
		"loose base64":                       {strings.TrimSuffix(good, "\n") + "\r\n", ErrMalformed},
	} {
		if _, err := VerifyCheckpoint(ring, origin, tt.signed); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
	if _, err := VerifyCheckpoint(ring, "a b", good); !errors.Is(err, ErrOrigin) {
		t.Errorf("a name no log can have: %v, want ErrOrigin", err)
	}
	if _, err := VerifyCheckpoint(Ring{}, origin, good); !errors.Is(err, ErrUnknownKey) {
		t.Errorf("empty ring: %v, want ErrUnknownKey", err)
	}
}

func TestWitnessesAreNamed(t *testing.T) {
	key, witness := testKey(t, 1, UseLog), testKey(t, 9, UseLog)
	ring := testRing(t, key)
	signed := cosign(t, mustCheckpoint(t, key, origin, 7), witness, "witness.example/w1")
	c, err := VerifyCheckpoint(ring, origin, signed)
	if d := cmp.Diff([]string{"witness.example/w1"}, c.Witnesses); d != "" || err != nil {
		t.Errorf("%v (-want +got)\n%s", err, d)
	}
	_, line, _ := strings.Cut(signed, "\n\n")
	_, line, _ = strings.Cut(line, "\n")
	if _, err := VerifyCheckpoint(ring, origin, signed+line); !errors.Is(err, ErrMalformed) {
		t.Errorf("a witness twice: %v, want ErrMalformed", err)
	}
	// Loose trailing bits in a witness's base64 would be a second spelling.
	loose := strings.TrimSuffix(signed, "\n")
	if !strings.HasSuffix(loose, "=") {
		t.Fatal("the signature of 68 bytes does not end in padding")
	}
	at := len(loose) - 2
	loose = loose[:at] + string(loose[at]+1) + "=\n"
	if _, err := VerifyCheckpoint(ring, origin, loose); !errors.Is(err, ErrMalformed) {
		t.Errorf("loose base64: %v, want ErrMalformed", err)
	}
}

// TestAnyAlteredByteOfACheckpointFails changes each byte of a note with one
// signature. (In a witness's line, which we cannot verify, a byte may change.)
func TestAnyAlteredByteOfACheckpointFails(t *testing.T) {
	key := testKey(t, 1, UseLog)
	ring := testRing(t, key)
	for _, bad := range alterations(mustCheckpoint(t, key, origin, 1234)) {
		if c, err := VerifyCheckpoint(ring, origin, bad); err == nil {
			t.Fatalf("altered to %q, verifies as %+v", bad, c)
		}
	}
}

func FuzzParseCheckpoint(f *testing.F) {
	f.Add(Checkpoint{Origin: origin, Size: 7, Root: testRoot()}.Text())
	f.Add("a\n01\n\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseCheckpoint(text)
		if err != nil {
			return
		}
		if c.Text() != text || c.Size < 0 || c.Origin == "" {
			t.Fatalf("%q re-encodes to %q", text, c.Text())
		}
	})
}

func FuzzVerifyCheckpoint(f *testing.F) {
	key := testKey(f, 1, UseLog)
	ring := testRing(f, key)
	good := mustCheckpoint(f, key, origin, 7)
	f.Add(good)
	f.Add(cosign(f, good, testKey(f, 9, UseLog), "witness.example"))
	f.Add(good + good)
	f.Fuzz(func(t *testing.T, signed string) {
		c, err := VerifyCheckpoint(ring, origin, signed)
		if err != nil {
			return
		}
		// Our line, signed anew, is in it; witnesses' lines are all else.
		again, err := SignCheckpoint(t.Context(), key, origin, c.Size, c.Root)
		if err != nil {
			t.Fatal(err)
		}
		_, line, _ := strings.Cut(again, "\n\n")
		rest := strings.Replace(strings.TrimPrefix(signed, c.Text()+"\n"), line, "", 1)
		if !strings.HasPrefix(signed, c.Text()+"\n") || strings.Count(rest, "\n") != len(c.Witnesses) {
			t.Fatalf("%q verifies as %+v", signed, c)
		}
	})
}

func BenchmarkSignCheckpoint(b *testing.B) {
	key := testKey(b, 1, UseLog)
	for b.Loop() {
		mustCheckpoint(b, key, origin, 7)
	}
}

func BenchmarkVerifyCheckpoint(b *testing.B) {
	key := testKey(b, 1, UseLog)
	ring, signed := testRing(b, key), mustCheckpoint(b, key, origin, 7)
	for b.Loop() {
		if _, err := VerifyCheckpoint(ring, origin, signed); err != nil {
			b.Fatal(err)
		}
	}
}
