// Package canon makes, checks and compares canonical JSON text (RFC 8785, the
// JSON canonicalization scheme), the form in which every record and audit
// entry is stored, hashed and signed.
//
// It is stricter than the scheme where the scheme would lose something: a
// document with a repeated member, text that is not UTF-8, an unpaired
// surrogate, or an integer that a double cannot hold as written is refused.
//
// The package is pure. It alone hashes a record.
package canon

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"unicode/utf8"

	"github.com/gowebpki/jcs"
)

// MaxDepth is how deep arrays and objects may nest. Stored records need less
// than ten; the bound keeps a hostile document from costing stack.
const MaxDepth = 64

var (
	// ErrMalformed: not one JSON value, or text that is not UTF-8, or a repeated member.
	ErrMalformed = errors.New("canon: not acceptable JSON")
	// ErrDepth: nested deeper than MaxDepth.
	ErrDepth = errors.New("canon: nested too deep")
	// ErrInexact: an integer that would change when read as a double.
	ErrInexact = errors.New("canon: integer cannot be kept exactly")
	// ErrNotCanonical: acceptable JSON, but not in canonical form.
	ErrNotCanonical = errors.New("canon: not in canonical form")
)

// Transform returns the canonical form of one JSON value. The error is
// ErrMalformed, ErrDepth or ErrInexact and never quotes the document. The
// result never shares memory with doc.
func Transform(doc []byte) ([]byte, error) {
	if isCanonical(doc, 0) {
		return bytes.Clone(doc), nil
	}
	if !utf8.Valid(doc) {
		return nil, ErrMalformed
	}
	if err := prescan(doc); err != nil {
		return nil, err
	}
	out, err := jcs.Transform(doc)
	if err != nil {
		// The library's text quotes the document, so it stays here.
		return nil, ErrMalformed
	}
	return out, nil
}

// IsCanonical reports whether doc is exactly its own canonical form.
func IsCanonical(doc []byte) bool {
	if isCanonical(doc, 0) {
		return true
	}
	out, err := Transform(doc)
	return err == nil && bytes.Equal(out, doc)
}

// Marshal returns the canonical form of v as encoding/json writes it. Text in v
// that is not UTF-8, which encoding/json would replace in silence, is
// ErrMalformed. Where a struct's fields stand in the order of their JSON names,
// most of the cost of Transform is saved.
func Marshal(v any) ([]byte, error) {
	var buf bytes.Buffer
	enc := json.NewEncoder(&buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, fmt.Errorf("canon: marshal: %w", err)
	}
	doc := bytes.TrimSuffix(buf.Bytes(), []byte{'\n'})
	if isCanonical(doc, 0) {
		return doc, nil
	}
	if hasReplacement(doc) {
		return nil, fmt.Errorf("canon: marshal: %w", ErrMalformed)
	}
	return Transform(doc)
}

// Digest returns SHA-256(salt ‖ body): what an audit entry keeps of a record.
func Digest(salt, body []byte) [32]byte {
	h := sha256.New()
	h.Write(salt)
	h.Write(body)
	var sum [32]byte
	h.Sum(sum[:0])
	return sum
}

// DigestHex spells a digest as 64 lower-case hexadecimal digits.
func DigestHex(d [32]byte) string { return hex.EncodeToString(d[:]) }

// DigestBase64url spells a digest in base64url without padding, 43 characters.
func DigestBase64url(d [32]byte) string { return base64.RawURLEncoding.EncodeToString(d[:]) }

// ParseDigestHex reads what DigestHex wrote and nothing else.
func ParseDigestHex(s string) ([32]byte, error) {
	var d [32]byte
	if len(s) != hex.EncodedLen(len(d)) {
		return [32]byte{}, fmt.Errorf("canon: parse digest: %w", ErrMalformed)
	}
	if _, err := hex.Decode(d[:], []byte(s)); err != nil || DigestHex(d) != s {
		return [32]byte{}, fmt.Errorf("canon: parse digest: %w", ErrMalformed)
	}
	return d, nil
}

// Equal reports whether two canonical documents are the same document, which
// in canonical form is the same bytes.
func Equal(a, b []byte) bool { return bytes.Equal(a, b) }
