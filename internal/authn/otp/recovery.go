package otp

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"ponderal.example/internal/fault"
)

// A recovery code is 24 characters of Crockford's base32 alphabet in six groups, that is 120 random bits:
//
//	1a2b-3c4d-5e6f-7g8h-9j0k-mnpq
//
// NIST SP 800-63B, section 5.1.2.2 (look-up secrets): with at least 112 bits a plain hash is enough to store it; with fewer it would need a salted password hash.
const (
	// RecoveryCodes is how many codes a set has.
	RecoveryCodes  = 10
	recoveryBytes  = 15
	recoveryGroups = 6
	groupChars     = 4
	recoveryDomain = "ponderal recovery code 1\x00"
	// maxTypedBytes bounds what is read as a code: one with as many separators as characters fits.
	maxTypedBytes = 64
)

// recoveryAlphabet has no letter that looks like a digit, and no u (Crockford's base32, as published by its author).
const recoveryAlphabet = "0123456789abcdefghjkmnpqrstvwxyz"

// NewRecovery makes a set of codes from rand, which must be a cryptographic source. The codes are shown once; their hashes are stored, in the same order.
func NewRecovery(rand io.Reader) (codes, hashes []string, err error) {
	for range RecoveryCodes {
		var b [recoveryBytes]byte
		if _, err := io.ReadFull(rand, b[:]); err != nil {
			return nil, nil, fmt.Errorf("make recovery codes: %w", err)
		}
		codes = append(codes, formatRecovery(b))
		hashes = append(hashes, hashRecovery(b))
	}
	return codes, hashes, nil
}

// MatchRecovery says which of the stored hashes a typed code is of. Capitals, spaces and other groups do no harm; o is read as 0, i and l as 1.
// The caller strikes the hash out in the transaction that acts on the answer, so that a code is accepted once. A code that is not among them is an
// Unauthenticated fault, after a comparison with each.
func MatchRecovery(hashes []string, typed string) (index int, err error) {
	b, ok := parseRecovery(typed)
	sum := []byte(hashRecovery(b))
	found := -1
	for i, h := range hashes {
		if subtle.ConstantTimeCompare([]byte(h), sum) == 1 {
			found = i
		}
	}
	if !ok || found < 0 {
		return 0, fault.New(fault.Unauthenticated, "SECOND_FACTOR_REFUSED", "the recovery code is wrong or has been used")
	}
	return found, nil
}

func hashRecovery(b [recoveryBytes]byte) string {
	sum := sha256.Sum256(append([]byte(recoveryDomain), b[:]...))
	return hex.EncodeToString(sum[:])
}

func formatRecovery(b [recoveryBytes]byte) string {
	var out strings.Builder
	// Five bytes are eight characters of five bits.
	for i := 0; i < recoveryBytes; i += 5 {
		bits := uint64(b[i])<<32 | uint64(b[i+1])<<24 | uint64(b[i+2])<<16 | uint64(b[i+3])<<8 | uint64(b[i+4])
		for shift := 35; shift >= 0; shift -= 5 {
			if n := out.Len(); n%(groupChars+1) == groupChars {
				out.WriteByte('-')
			}
			out.WriteByte(recoveryAlphabet[bits>>shift&31])
		}
	}
	return out.String()
}

// parseRecovery reads a code as people type it.
func parseRecovery(typed string) (b [recoveryBytes]byte, ok bool) {
	if len(typed) > maxTypedBytes {
		return b, false
	}
	var values []byte
	for _, c := range []byte(typed) {
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		switch c {
		case '-', ' ':
			continue
		case 'o':
			c = '0'
		case 'i', 'l':
			c = '1'
		}
		v := bytes.IndexByte([]byte(recoveryAlphabet), c)
		if v < 0 {
			return b, false
		}
		values = append(values, byte(v))
	}
	if len(values) != recoveryGroups*groupChars {
		return b, false
	}
	for i := range recoveryBytes / 5 {
		var bits uint64
		for _, v := range values[8*i : 8*i+8] {
			bits = bits<<5 | uint64(v)
		}
		for j := range 5 {
			b[5*i+j] = byte(bits >> (32 - 8*j))
		}
	}
	return b, true
}
