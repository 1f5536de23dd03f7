package password

import (
	"errors"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
)

// TestPolicy: NIST SP 800-63B, section 5.1.1.2 (memorized secret verifiers).
func TestPolicy(t *testing.T) {
	p := Policy{MinLength: MinLength, Blocked: func(s string) bool { return s == "password1" || s == "five fine" }}
	for name, tt := range map[string]struct{ password, rule string }{
		"seven characters":                   {"sevenxx", "password.length"},
		"eight characters":                   {"eightxxx", ""},
		"eight code points of four bytes":    {strings.Repeat("😀", 8), ""},
		"seven code points of four bytes":    {strings.Repeat("😀", 7), "password.length"},
		"eight that normalise to four":       {"e\u0301e\u0301e\u0301e\u0301", "password.length"},
		"64 of any script":                   {strings.Repeat("𝄞", 64), ""},
		"65 of four bytes":                   {strings.Repeat("𝄞", 65), "password.form"},
		"256 bytes":                          {strings.Repeat("a", 256), ""},
		"257 bytes":                          {strings.Repeat("a", 257), "password.form"},
		"not UTF-8":                          {"eight\xffxxx", "password.form"},
		"half a surrogate pair":              {"eight\xed\xa0\x80xxx", "password.form"},
		"digits alone":                       {"12345678", ""},
		"spaces alone":                       {"        ", ""},
		"one letter":                         {"aaaaaaaa", ""},
		"all printing ASCII signs":           {"!\"#$%&'()*+,-./:;<=>?@[\\]^_`{|}~ ", ""},
		"blocked":                            {"password1", "password.blocked"},
		"blocked, in the form that it takes": {"ﬁve ﬁne", "password.blocked"},
		"not blocked, one more":              {"password12", ""},
		"a known word":                       {"evaluator", "password.blocked"},
		"a known word in capitals":           {"EvaLuator", "password.blocked"},
		"a known word and more":              {"evaluator7", ""},
		"a control character":                {"eight\x07xxx", "password.characters"},
		"a line break":                       {"eight\nxxx", "password.characters"},
		"an unassigned code point":           {"eight\U000effffxxx", "password.characters"},
		"joined emoji":                       {"family 👩‍👩‍👧", ""},
		"short and blocked":                  {"", "password.length"},
	} {
		err := p.Check(tt.password, "evaluator", "ponderal", "")
		if tt.rule == "" {
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		var f *fault.Error
		if !errors.As(err, &f) || f.Kind != fault.Invalid || f.Violations[0].Rule != tt.rule || f.Violations[0].Field != "password" {
			t.Errorf("%s: %v, want %s", name, err, tt.rule)
			continue
		}
		if tt.password != "" && strings.Contains(f.Error()+f.Violations[0].Text, tt.password) {
			t.Errorf("%s: the error holds the password", name)
		}
	}
	h := hasher(t, nil)
	if stored, err := h.Hash(t.Context(), "sevenxx"); !fault.Is(err, fault.Invalid) || stored != "" {
		t.Errorf("hashed what the policy refuses: %v", err)
	}
	if stored, err := h.Hash(t.Context(), "evaluator", "evaluator"); !fault.Is(err, fault.Invalid) || stored != "" {
		t.Errorf("hashed a known word: %v", err)
	}
	if stored, err := h.Rehash(t.Context(), strings.Repeat("a", MaxBytes+1)); !fault.Is(err, fault.Invalid) || stored != "" {
		t.Errorf("rehashed what is too long: %v", err)
	}
}
