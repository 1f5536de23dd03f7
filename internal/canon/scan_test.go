package canon

import (
	"bytes"
	"slices"
	"testing"
	"unicode/utf16"

	"github.com/gowebpki/jcs"
)

// checkFastPath demands that what the scan calls canonical the library leaves
// as it is.
func checkFastPath(t *testing.T, doc []byte) {
	t.Helper()
	want, err := jcs.Transform(doc)
	if err != nil || !bytes.Equal(want, doc) {
		t.Fatalf("the scan calls %q canonical; the library makes it %q, %v", doc, want, err)
	}
}

func TestScan(t *testing.T) {
	canonical := []string{
		`null`, `true`, `false`, `0`, `-1`, `123456789012345`, `1e+21`, `0.000001`, `-0.5`, `9007199254740992`,
		`""`, `"a"`, `"\"\\\b\f\n\r\t"`, `"\u0000\u000b\u001f"`, "\"\x7f\u2028é😀/\"",
		`[]`, `[[]]`, `[1,2]`, `{}`, `{"":0,"a":{},"b":[]}`, `{"1":1,"10":1,"2":1,"A":1,"a":1}`, "{\"😀\":1,\"\ufb33\":2}",
	}
	for _, doc := range canonical {
		if !isCanonical([]byte(doc), 0) {
			t.Errorf("%s is not taken by the scan", doc)
		}
		checkFastPath(t, []byte(doc))
	}
	other := []string{
		``, ` 1`, `1 `, `1,`, `-0`, `00`, `01`, `-`, `--1`, `1.0`, `1.`, `1e3`, `1E+21`, `1e21`, `9007199254740993`, `1e400`,
		`"`, `"a`, `"\`, `"\u`, `"\u000"`, `"\u000a"`, `"\u001F"`, `"\u0020"`, `"\u0041"`, `"\u1000"`, `"\/"`, `"\x"`, "\"\n\"", "\"\xff\"",
		`[`, `[1`, `[1,`, `[1,]`, `[,1]`, `[1 ]`, `]`, `{`, `{"a"`, `{"a":`, `{"a":1`, `{"a":1,`, `{"a":1,}`, `{"a" :1}`, `{a:1}`,
		`{"b":1,"a":1}`, `{"a":1,"a":1}`, "{\"\ufb33\":2,\"😀\":1}", `nul`, `nulll`, `truefalse`, `{"a":1}{}`, `[1]2`,
	}
	for _, doc := range other {
		if isCanonical([]byte(doc), 0) {
			t.Errorf("%s is called canonical", doc)
		}
	}
	if nested := []byte(`[[1]]`); !isCanonical(nested, MaxDepth-2) || isCanonical(nested, MaxDepth-1) {
		t.Error("the depth that a value stands at is not counted")
	}
}

func TestCompareUTF16(t *testing.T) {
	words := []string{"", "\x00", "A", "a", "aa", "ab", "é", "߿", "ࠀ", "퟿", "\ue000", "\uefff", "\uf000", "\uffff", "😀", "😁", "\U0010ffff", "a😀", "a\uffff", "😀a"}
	for _, a := range words {
		for _, b := range words {
			want := slices.Compare(utf16.Encode([]rune(a)), utf16.Encode([]rune(b)))
			if got := sign(compareUTF16(a, b)); got != want {
				t.Errorf("compare(%+q, %+q) = %d, want %d", a, b, got, want)
			}
		}
	}
}

func sign(n int) int { return min(max(n, -1), 1) }

func FuzzCompareUTF16(f *testing.F) {
	f.Add("😀", "\uffff")
	f.Add("a", "b")
	f.Fuzz(func(t *testing.T, a, b string) {
		// Only text that is UTF-8 is ever compared.
		a, b = string([]rune(a)), string([]rune(b))
		want := slices.Compare(utf16.Encode([]rune(a)), utf16.Encode([]rune(b)))
		if got := sign(compareUTF16(a, b)); got != want {
			t.Errorf("compare(%+q, %+q) = %d, want %d", a, b, got, want)
		}
	})
}
