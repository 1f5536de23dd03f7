package password

import (
	"strings"
	"testing"
)

const sound = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

func TestParseRefuses(t *testing.T) {
	if h, err := Parse(sound); err != nil || h.Params != Recommended() || len(h.Salt) != saltSize || len(h.Tag) != tagSize {
		t.Fatalf("%+v, %v", h, err)
	}
	swap := func(from, to string) string { return strings.Replace(sound, from, to, 1) }
	for name, text := range map[string]string{
		"empty":                   "",
		"argon2i":                 swap("argon2id", "argon2i"),
		"argon2d":                 swap("argon2id", "argon2d"),
		"capitals":                swap("argon2id", "Argon2id"),
		"the version before":      swap("v=19", "v=16"),
		"no version":              swap("v=19$", ""),
		"leading zero":            swap("t=3", "t=03"),
		"plus sign":               swap("t=3", "t=+3"),
		"underscore":              swap("m=65536", "m=65_536"),
		"hexadecimal":             swap("t=3", "t=0x3"),
		"no number":               swap("t=3", "t="),
		"negative":                swap("t=3", "t=-3"),
		"zero passes":             swap("t=3", "t=0"),
		"another order":           swap("m=65536,t=3", "t=3,m=65536"),
		"a parameter more":        swap("p=4", "p=4,data=AA"),
		"a parameter less":        swap(",p=4", ""),
		"twice":                   swap("p=4", "t=4"),
		"too many lanes":          swap("p=4", "p=65"),
		"lanes beyond a byte":     swap("p=4", "p=260"),
		"too little memory":       swap("m=65536", "m=31"),
		"all memory of a machine": swap("m=65536", "m=4294967295"),
		"memory beyond 32 bits":   swap("m=65536", "m=4295032832"),
		"passes for years":        swap("t=3", "t=4294967295"),
		"one pass too many":       swap("t=3", "t=17"),
		"a part more":             sound + "$",
		"a part less":             sound[:strings.LastIndex(sound, "$")],
		"padded":                  sound + "=",
		"loose bits":              sound[:len(sound)-1] + "B",
		"line break in the salt":  swap("$AAAA", "$AA\nAA"),
		"line break in the tag":   sound[:len(sound)-3] + "\r\n" + sound[len(sound)-3:],
		"url alphabet":            swap("$AAAA", "$AA-A"),
		"no salt":                 swap("$AAAAAAAAAAAAAAAAAAAAAA$", "$$"),
		"a short salt":            swap("$AAAAAAAAAAAAAAAAAAAAAA$", "$AAAAAAAAAA$"),
		"a long salt":             swap("$AAAAAAAAAAAAAAAAAAAAAA$", "$"+strings.Repeat("AAAA", 22)+"$"),
		"a short tag":             swap("$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", "$AAAAAAAAAAAAAAAAAAAA"),
		"a long tag":              sound + strings.Repeat("AAAA", 11),
		"far too long":            sound + strings.Repeat("A", 1<<20),
		"a space":                 sound + " ",
		"a null byte":             sound + "\x00",
	} {
		if h, err := Parse(text); err == nil {
			t.Errorf("%s: read as %s", name, h)
		} else if err != errForm {
			t.Errorf("%s: %v is not the one error", name, err)
		}
	}
	for name, text := range map[string]string{
		"most passes for the memory": swap("t=3", "t=16"),
		"the shortest salt":          swap("$AAAAAAAAAAAAAAAAAAAAAA$", "$AAAAAAAAAAA$"),
		"the longest salt":           swap("$AAAAAAAAAAAAAAAAAAAAAA$", "$"+strings.Repeat("AAAA", 21)+"AA$"),
		"most lanes":                 swap("p=4", "p=64"),
		"least memory":               swap("m=65536", "m=32"),
	} {
		if _, err := Parse(text); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(sound)
	f.Add("$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4")
	f.Add(strings.Replace(sound, "$AAAA", "$AA\nAA", 1))
	f.Fuzz(func(t *testing.T, text string) {
		h, err := Parse(text)
		if err != nil {
			return
		}
		if h.String() != text {
			t.Fatalf("%q encodes to %q", text, h)
		}
		if bad := h.check(); bad != "" {
			t.Fatalf("%q: %s", text, bad)
		}
	})
}
