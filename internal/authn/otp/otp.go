// Package otp is the second factor of who signs in with a password: time-based one-time codes (RFC 6238) and recovery codes for who has lost the
// device that shows them.
//
// It keeps nothing: the caller stores the secret (it must be readable to be checked, so it is to be encrypted at rest), the step of the last code that was
// accepted, and the hashes of the recovery codes. How often a code may be tried is the caller's to limit; six digits alone stand no search.
package otp

import (
	"crypto/subtle"
	"encoding/base32"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	lib "github.com/pquerna/otp"
	"github.com/pquerna/otp/hotp"

	"ponderal.example/internal/fault"
)

// What every authenticator app reads, and RFC 6238 recommends: SHA-1, six digits, steps of 30 s, counted from 1970 (sections 4 and 5.2).
const (
	// Period is the length of a step.
	Period = 30 * time.Second
	// SecretSize is the length of a secret in bytes: the 160 bits that RFC 4226, section 4, R6 recommends.
	SecretSize = 20
	digits     = 6
	// skew is how many steps before and after the present one are accepted (RFC 6238, section 5.2 and 6: at most one for the network's delay, and
	// as much for clocks that differ).
	skew = 1
)

// NeverUsed is the last step of who has used no code yet.
const NeverUsed int64 = -1

// maxNameBytes bounds the names in a provisioning URI, so that it fits a QR code.
const maxNameBytes = 128

var base32Text = base32.StdEncoding.WithPadding(base32.NoPadding)

// Secret is what the service and an authenticator app share. However it is printed or marshalled, nothing of it shows: Bytes, Text and URI say it
// on purpose. The zero Secret accepts no code.
type Secret struct {
	// bytes returns the secret; a function, because reflection prints what an unexported field holds.
	bytes func() [SecretSize]byte
}

// Enrol makes a secret from rand, which must be a cryptographic source.
func Enrol(rand io.Reader) (Secret, error) {
	var b [SecretSize]byte
	if _, err := io.ReadFull(rand, b[:]); err != nil {
		return Secret{}, fmt.Errorf("make a one-time code's secret: %w", err)
	}
	return secretOf(b), nil
}

// ReadSecret takes back what Bytes gave. Anything of another length is an Internal fault, because it comes from the store.
func ReadSecret(stored []byte) (Secret, error) {
	if len(stored) != SecretSize {
		return Secret{}, fault.New(fault.Internal, "SECOND_FACTOR_DAMAGED", "an internal error")
	}
	return secretOf([SecretSize]byte(stored)), nil
}

func secretOf(b [SecretSize]byte) Secret {
	return Secret{bytes: func() [SecretSize]byte { return b }}
}

// Bytes is the secret as it is stored, encrypted by the caller.
func (s Secret) Bytes() []byte {
	if s.bytes == nil {
		return nil
	}
	b := s.bytes()
	return b[:]
}

// Text is the secret in base32 (RFC 4648, section 6, no padding), for who types it into an app. It is shown once.
func (s Secret) Text() string { return base32Text.EncodeToString(s.Bytes()) }

// URI is the otpauth URI that an app reads from a QR code; issuer names the service and account the person within it. It holds the secret.
// Names are one line without a colon, which separates them in the URI.
func (s Secret) URI(issuer, account string) (string, error) {
	if s.bytes == nil {
		return "", fault.New(fault.Internal, "SECOND_FACTOR_DAMAGED", "an internal error")
	}
	var bad []fault.Violation
	for _, n := range []struct{ field, name string }{{"issuer", issuer}, {"account", account}} {
		if !soundName(n.name) {
			bad = append(bad, fault.Violation{Field: n.field, Rule: "otp.name",
				Text: fmt.Sprintf("must be one line of 1 to %d bytes without a colon", maxNameBytes)})
		}
	}
	if err := fault.InvalidFields(bad); err != nil {
		return "", err
	}
	// Not by the library, which leaves an ampersand in a name as it is; apps want spaces as %20.
	query := url.Values{"secret": {s.Text()}, "issuer": {issuer}, "period": {strconv.Itoa(int(Period / time.Second))},
		"algorithm": {lib.AlgorithmSHA1.String()}, "digits": {strconv.Itoa(digits)}}
	u := url.URL{Scheme: "otpauth", Host: "totp", Path: "/" + issuer + ":" + account,
		RawQuery: strings.ReplaceAll(query.Encode(), "+", "%20")}
	return u.String(), nil
}

func soundName(name string) bool {
	if name == "" || len(name) > maxNameBytes || !utf8.ValidString(name) {
		return false
	}
	for _, r := range name {
		if r == ':' || unicode.IsControl(r) || !unicode.IsGraphic(r) {
			return false
		}
	}
	return true
}

// String hides the secret.
func (s Secret) String() string { return "otp.Secret{...}" }

// GoString is String, for %#v.
func (s Secret) GoString() string { return s.String() }

// Format is String for every verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, s.String()) }

// MarshalText hides the secret; encoding/json and slog use it too.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Verify accepts a code of six digits of the present step, the one before or the one after, if its step is newer than lastUsed, the step of the last
// code that was accepted (NeverUsed before the first). It returns the step of the code: the caller stores it as the new lastUsed in the transaction that
// acts on the answer, so that of two calls with one code only one is accepted (RFC 6238, section 5.2: a code is accepted once).
//
// Every refusal is the same Unauthenticated fault after the same comparisons, whether the code is wrong, old or used.
func Verify(s Secret, code string, now time.Time, lastUsed int64) (step int64, err error) {
	present := StepOf(now)
	if s.bytes == nil || len(code) != digits || now.Unix() < 0 {
		return 0, refused()
	}
	matched, usable := 0, 0
	for candidate := present - skew; candidate <= present+skew; candidate++ {
		want, err := codeAt(s, candidate, lib.DigitsSix)
		if err != nil {
			return 0, err
		}
		same := subtle.ConstantTimeCompare([]byte(want), []byte(code))
		usable = subtle.ConstantTimeSelect(same, newer(candidate, lastUsed), usable)
		matched |= same
		step = selectStep(same, candidate, step)
	}
	if matched&usable != 1 {
		return 0, refused()
	}
	return step, nil
}

// codeAt is the code of a step; a step before 1970 has one that no counter reaches.
func codeAt(s Secret, step int64, length lib.Digits) (string, error) {
	code, err := hotp.GenerateCodeCustom(s.Text(), uint64(step), hotp.ValidateOpts{Digits: length, Algorithm: lib.AlgorithmSHA1})
	if err != nil {
		return "", fmt.Errorf("compute a one-time code: %w", err)
	}
	return code, nil
}

func newer(step, lastUsed int64) int {
	if step > lastUsed {
		return 1
	}
	return 0
}

// selectStep is subtle.ConstantTimeSelect for steps.
func selectStep(first int, a, b int64) int64 {
	mask := -int64(first)
	return a&mask | b&^mask
}

// StepOf is the step of a moment, for who stores or shows steps. Moments before 1970 are step 0.
func StepOf(t time.Time) int64 {
	return max(0, t.Unix()/int64(Period/time.Second))
}

func refused() error {
	return fault.New(fault.Unauthenticated, "SECOND_FACTOR_REFUSED",
		"the code is wrong, has been used or is too old: wait for the next one, and check that the device's clock is right")
}
