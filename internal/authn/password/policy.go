package password

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"ponderal.example/internal/fault"
)

const (
	// MinLength is the least that a policy may ask for (NIST SP 800-63B, section 5.1.1.2; revision 4, section 3.1.1.2 keeps it for passwords that a
	// second factor goes with and asks for SingleFactorLength where none does).
	MinLength = 8
	// SingleFactorLength is what revision 4 asks for where the password is the only factor.
	SingleFactorLength = 15
	// maxMinLength: at least 64 characters must be allowed (the same section), so no policy may ask for more.
	maxMinLength = 64
	// MaxBytes bounds a password in UTF-8: 64 characters of any script fit. Longer ones are refused, never cut.
	MaxBytes = 256
)

// Policy is what a new password must meet. There are no rules of composition and none of age, as the same section says.
type Policy struct {
	// MinLength in characters (code points after normalisation), from MinLength to 64.
	MinLength int
	// Blocked reports whether a password, normalised (NFKC), is too common, expected or known to be compromised; it folds case as it sees fit. Nil
	// blocks none. Safe for concurrent use.
	Blocked func(normalised string) bool
}

func (p Policy) check() error {
	if p.MinLength < MinLength || p.MinLength > maxMinLength {
		return fmt.Errorf("the least length of passwords must be from %d to %d", MinLength, maxMinLength)
	}
	return nil
}

// Check is an Invalid fault that names what a new password breaks, and nil when it meets the policy. The known words, such as the person's
// sign-in name or the service's, may not be the password, in capitals or not.
func (p Policy) Check(password string, known ...string) error {
	text, ok := normalise(password)
	if !ok {
		return refuseForm()
	}
	var bad []fault.Violation
	if utf8.RuneCount(text) < p.MinLength {
		bad = append(bad, violation("password.length", fmt.Sprintf("must be at least %d characters long; a few words are easier to keep in mind than signs", p.MinLength)))
	}
	if unstable(text) {
		bad = append(bad, violation("password.characters", "must not hold control characters, nor characters that Unicode has not assigned"))
	}
	if p.blocks(string(text), known) {
		bad = append(bad, violation("password.blocked", "is too common or too easily guessed: choose another"))
	}
	return fault.InvalidFields(bad)
}

func (p Policy) blocks(text string, known []string) bool {
	for _, word := range known {
		if word, ok := normalise(word); ok && strings.EqualFold(string(word), text) {
			return true
		}
	}
	return p.Blocked != nil && p.Blocked(text)
}

// normalise gives the form that is hashed and counted: NFKC, as NIST SP 800-63B, section 5.1.1.2 recommends (Unicode Standard Annex 15), so that a password
// is the same from every keyboard. False for what is too long or not UTF-8.
func normalise(password string) ([]byte, bool) {
	if len(password) > MaxBytes || !utf8.ValidString(password) {
		return nil, false
	}
	return norm.NFKC.Bytes([]byte(password)), true
}

// unstable reports characters whose normalisation may change with a later Unicode (Annex 15, section 12.1), or that no keyboard gives.
func unstable(text []byte) bool {
	for _, r := range string(text) {
		if unicode.In(r, unicode.Cc, unicode.Cn) {
			return true
		}
	}
	return false
}

func refuseForm() error {
	return fault.InvalidFields([]fault.Violation{violation("password.form", fmt.Sprintf("must be UTF-8 of at most %d bytes", MaxBytes))})
}

func violation(rule, text string) fault.Violation {
	return fault.Violation{Field: "password", Rule: rule, Text: text}
}
