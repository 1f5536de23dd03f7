package canon

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// vectors is testdata/reference/10_jcs_rfc8785.json: RFC 8785, sections
// 3.2.2-3.2.3 and appendix B (S116), and its author's test data (S117).
type vectors struct {
	Documents []struct {
		Name      string
		Input     string `json:"input_utf8_hex"`
		Canonical string `json:"canonical_utf8_hex"`
	}
	Numbers []struct {
		Bits string `json:"ieee754_hex"`
		JSON string
	}
}

func loadVectors(t testing.TB) vectors {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", "10_jcs_rfc8785.json"))
	if err != nil {
		t.Fatal(err)
	}
	var v vectors
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func unhexed(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestDocumentsOfRFC8785(t *testing.T) {
	v := loadVectors(t)
	if len(v.Documents) != 5 {
		t.Fatalf("%d documents, want 5", len(v.Documents))
	}
	for _, d := range v.Documents {
		want := unhexed(t, d.Canonical)
		got, err := Transform(unhexed(t, d.Input))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: got %q, %v, want %q", d.Name, got, err, want)
		}
		if again, err := Transform(got); err != nil || !bytes.Equal(again, want) {
			t.Errorf("%s: its canonical form becomes %q, %v", d.Name, again, err)
		}
		if !IsCanonical(want) || IsCanonical(unhexed(t, d.Input)) {
			t.Errorf("%s: IsCanonical is wrong", d.Name)
		}
	}
}

func TestNumbersOfRFC8785(t *testing.T) {
	v := loadVectors(t)
	if len(v.Numbers) != 24 {
		t.Fatalf("%d numbers, want 24", len(v.Numbers))
	}
	for _, n := range v.Numbers {
		bits, err := strconv.ParseUint(n.Bits, 16, 64)
		if err != nil {
			t.Fatal(err)
		}
		f := math.Float64frombits(bits)
		if got, err := Marshal(f); string(got) != n.JSON || err != nil {
			t.Errorf("%s: Marshal gives %s, %v, want %s", n.Bits, got, err, n.JSON)
		}
		// Seventeen digits say any double exactly.
		long := strconv.FormatFloat(f, 'e', 17, 64)
		if got, err := Transform([]byte(long)); string(got) != n.JSON || err != nil {
			t.Errorf("%s: Transform(%s) gives %s, %v, want %s", n.Bits, long, got, err, n.JSON)
		}
		if got, err := Transform([]byte(n.JSON)); string(got) != n.JSON || err != nil {
			t.Errorf("%s: the canonical %s becomes %s, %v", n.Bits, n.JSON, got, err)
		}
	}
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got, err := Marshal(f); err == nil {
			t.Errorf("Marshal(%v) = %s, want an error", f, got)
		}
	}
}

// TestMemberOrderIsByUTF16: RFC 8785, section 3.2.3 (its sorting example, from
// memory): U+1F600 (surrogates D83D DE00) comes before U+FB33.
func TestMemberOrderIsByUTF16(t *testing.T) {
	in := "{\"\u20ac\":\"Euro Sign\",\"\\r\":\"Carriage Return\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"," +
		"\"1\":\"One\",\"\U0001f600\":\"Emoji: Grinning Face\",\"\u0080\":\"Control\",\"\u00f6\":\"Latin Small Letter O With Diaeresis\"}"
	want := "{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"\u00f6\":\"Latin Small Letter O With Diaeresis\"," +
		"\"\u20ac\":\"Euro Sign\",\"\U0001f600\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}"
	if got, err := Transform([]byte(in)); string(got) != want || err != nil {
		t.Errorf("got %s, %v, want %s", got, err, want)
	}
}

func TestTransformRefuses(t *testing.T) {
	deep := func(n int) string { return strings.Repeat("[", n) + strings.Repeat("]", n) }
	tests := []struct {
		doc  string
		want error // nil means accepted
	}{
		{`{"a":1,"b":2}`, nil},
		{`{"a":1,"a":2}`, ErrMalformed},
		{`{"a":1,"\u0061":2}`, ErrMalformed},
		{`[{"a":{"b":1,"b":1}}]`, ErrMalformed},
		{"\"\xff\"", ErrMalformed},
		{"{\"\xc3\":1}", ErrMalformed},
		{`"\ud800"`, ErrMalformed},
		{`"\udc00\ud800"`, ErrMalformed},
		{`"\ud83d\ude00"`, nil},
		{`{} {}`, ErrMalformed},
		{`1 2`, ErrMalformed},
		{`{}x`, ErrMalformed},
		{" {} \n", nil},
		{``, ErrMalformed},
		{` `, ErrMalformed},
		{`[1,]`, ErrMalformed},
		{`{"a":1,}`, ErrMalformed},
		{`{a:1}`, ErrMalformed},
		{`[01]`, ErrMalformed},
		{`[+1]`, ErrMalformed},
		{`[.5]`, ErrMalformed},
		{`[NaN]`, ErrMalformed},
		{`[1e400]`, ErrMalformed},
		{`[-]`, ErrMalformed},
		{`["a` + "\n" + `"]`, ErrMalformed},
		{`["\x"]`, ErrMalformed},
		{`"open`, ErrMalformed},
		{`"open\`, ErrMalformed},
		{`tru`, ErrMalformed},
		{deep(MaxDepth), nil},
		{deep(MaxDepth + 1), ErrDepth},
		{strings.Repeat(" ", 3) + strings.Repeat(`{"a":`, MaxDepth+1) + "1" + strings.Repeat("}", MaxDepth+1), ErrDepth},
		{`"` + deep(MaxDepth+1) + `"`, nil}, // brackets in a string nest nothing
		{`9007199254740992`, nil},           // 2^53
		{`9007199254740993`, ErrInexact},
		{`-9007199254740993`, ErrInexact},
		{`[1, 123456789012345678]`, ErrInexact},
		{`"9007199254740993"`, nil},
		{`295147905179352830000`, nil}, // canonical for 2^68
		{`0.1234567890123456789`, nil}, // a fraction: rounding is the scheme's business
	}
	for _, tt := range tests {
		_, err := Transform([]byte(tt.doc))
		if !errors.Is(err, tt.want) {
			t.Errorf("Transform(%.60q): %v, want %v", tt.doc, err, tt.want)
		}
		if err != nil && len(tt.doc) > 8 && strings.Contains(err.Error(), tt.doc) {
			t.Errorf("the error quotes the document: %v", err)
		}
	}
}

func TestTransformSharesNoMemory(t *testing.T) {
	doc := []byte(`{"a":1}`)
	out, err := Transform(doc)
	if err != nil {
		t.Fatal(err)
	}
	doc[1] = 'x'
	if string(out) != `{"a":1}` {
		t.Errorf("the result changed with the input: %s", out)
	}
}

func TestMarshal(t *testing.T) {
	type inner struct {
		Note string `json:"note"`
		Load int64  `json:"load"`
	}
	tests := []struct {
		in   any
		want string
	}{
		{inner{"a<b & c>d", 7}, `{"load":7,"note":"a<b & c>d"}`},
		{inner{"line\u2028sep\ttab\x01", 7}, "{\"load\":7,\"note\":\"line\u2028sep\\ttab\\u0001\"}"},
		{inner{"kept \ufffd as it was", 7}, "{\"load\":7,\"note\":\"kept \ufffd as it was\"}"},
		{inner{`the text \ufffd`, 7}, `{"load":7,"note":"the text \\ufffd"}`},
		{map[string]any{"b": nil, "a": []int{}}, `{"a":[],"b":null}`},
		{4.50, `4.5`},
		{json.RawMessage(` { "b" : 1 , "a" : 2 } `), `{"a":2,"b":1}`},
	}
	for _, tt := range tests {
		if got, err := Marshal(tt.in); string(got) != tt.want || err != nil {
			t.Errorf("Marshal = %s, %v, want %s", got, err, tt.want)
		}
	}
	if _, err := Marshal(inner{"a\xffb", 7}); !errors.Is(err, ErrMalformed) {
		t.Errorf("text that is not UTF-8: %v, want ErrMalformed", err)
	}
	if _, err := Marshal(inner{"", 1<<53 + 1}); !errors.Is(err, ErrInexact) {
		t.Errorf("2^53+1: %v, want ErrInexact", err)
	}
	if _, err := Marshal(make(chan int)); err == nil {
		t.Error("a channel was marshalled")
	}
}

// TestDigest: FIPS 180-4's example of SHA-256, "abc" (from memory; recomputed by
// the standard library here).
func TestDigest(t *testing.T) {
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	for _, split := range []int{0, 1, 3} {
		d := Digest([]byte("abc")[:split], []byte("abc")[split:])
		if got := DigestHex(d); got != want {
			t.Errorf("split at %d: %s, want %s", split, got, want)
		}
		if got := DigestBase64url(d); got != "ungWv48Bz-pBQUDeXa4iI7ADYaOWF3qctBD_YfIAFa0" {
			t.Errorf("base64url %s", got)
		}
		if back, err := ParseDigestHex(want); back != d || err != nil {
			t.Errorf("ParseDigestHex = %x, %v", back, err)
		}
	}
	for _, bad := range []string{"", want[1:], want + "0", strings.ToUpper(want), "g" + want[1:]} {
		if _, err := ParseDigestHex(bad); !errors.Is(err, ErrMalformed) {
			t.Errorf("ParseDigestHex(%q): %v, want ErrMalformed", bad, err)
		}
	}
	if !Equal([]byte("{}"), []byte("{}")) || Equal([]byte("{}"), []byte("[]")) {
		t.Error("Equal is wrong")
	}
}

func FuzzTransform(f *testing.F) {
	for _, d := range loadVectors(f).Documents {
		f.Add(unhexed(f, d.Input))
		f.Add(unhexed(f, d.Canonical))
	}
	for _, s := range []string{`{"a":1,"a":2}`, `[1,2.50,-0,1e3]`, `"\ud83d\ude00"`, `{"\n":1,"1":2}`, `{"é":1,"z":2}`, "[\"\\u001f\x7f\"]"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, doc []byte) {
		fast := isCanonical(doc, 0)
		if fast {
			checkFastPath(t, doc)
		}
		out, err := Transform(doc)
		if err != nil {
			if fast {
				t.Fatalf("called canonical but refused: %q", doc)
			}
			return
		}
		again, err := Transform(out)
		if err != nil || !bytes.Equal(again, out) {
			t.Fatalf("not idempotent: %q becomes %q, %v", out, again, err)
		}
		if !IsCanonical(out) {
			t.Fatalf("the result is not called canonical: %q", out)
		}
		if !json.Valid(doc) {
			t.Fatalf("accepted what encoding/json does not: %q", doc)
		}
	})
}

// benchmarkDocument is about the size of a session's record: 48 trials.
func benchmarkDocument(b *testing.B) []byte {
	b.Helper()
	type trial struct {
		Effort   int    `json:"effort"`
		Load     any    `json:"load"`
		Note     string `json:"note"`
		Number   int    `json:"number"`
		PeakRate int    `json:"peak_rate"`
	}
	var trials []trial
	for i := range 48 {
		load := struct {
			Unit  string `json:"unit"`
			Value string `json:"value"`
		}{"lb", fmt.Sprint(10 + i)}
		trials = append(trials, trial{i % 11, load, "steady", i + 1, 80 + i})
	}
	doc, err := Marshal(map[string]any{"trials": trials, "number": 1})
	if err != nil {
		b.Fatal(err)
	}
	return doc
}

func BenchmarkTransformCanonical(b *testing.B) {
	doc := benchmarkDocument(b)
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Transform(doc); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkTransformOther(b *testing.B) {
	doc := append([]byte(" "), benchmarkDocument(b)...)
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Transform(doc); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDigest(b *testing.B) {
	doc, salt := benchmarkDocument(b), make([]byte, 32)
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		Digest(salt, doc)
	}
}
