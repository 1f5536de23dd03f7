// Package factor keeps the secrets of second factors encrypted at rest: AES-256-GCM (NIST SP 800-38D) under a key that stands outside the database, with
// the id of the identity as associated data, so that a stored secret is of no use to who reads the database and cannot be moved to another identity.
//
// Several keys may be at hand: the first seals, each opens what it sealed, so that a key can be replaced without anybody setting up anew.
package factor

import (
	"bufio"
	"bytes"
	"crypto/aes"
	"crypto/cipher"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

const keySize = 32

// plainID is how the id of a key may look: it stands beside what the key sealed.
var plainID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// Keys seal and open secrets. However they are printed, nothing of them shows. Safe for concurrent use; the zero Keys seal and open nothing.
type Keys struct {
	first string
	boxes map[string]cipher.AEAD
}

// Read reads a key file: a line for each key, its id and its 32 bytes in base64 (RFC 4648, section 4), one blank between; the first one seals. Empty lines
// and lines that begin with # are left out. The error names lines and never what stands in them.
func Read(file []byte) (Keys, error) {
	k := Keys{boxes: make(map[string]cipher.AEAD)}
	lines := bufio.NewScanner(bytes.NewReader(file))
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		id, text, _ := strings.Cut(line, " ")
		raw, err := base64.StdEncoding.Strict().DecodeString(text)
		if !plainID.MatchString(id) || err != nil || len(raw) != keySize || k.boxes[id] != nil {
			return Keys{}, fmt.Errorf("read second factor keys: line %d is not an id of its own and 32 bytes in base64", n)
		}
		block, err := aes.NewCipher(raw)
		if err != nil {
			return Keys{}, fmt.Errorf("read second factor keys: %w", err)
		}
		if k.boxes[id], err = cipher.NewGCM(block); err != nil {
			return Keys{}, fmt.Errorf("read second factor keys: %w", err)
		}
		if k.first == "" {
			k.first = id
		}
	}
	if lines.Err() != nil || k.first == "" {
		return Keys{}, errors.New("read second factor keys: there is no key in the file")
	}
	return k, nil
}

// NewLine is the line of a new key in a key file. rand must be a cryptographic source.
func NewLine(rand io.Reader, id string) (string, error) {
	if !plainID.MatchString(id) {
		return "", errors.New("make second factor key: an id has 1 to 40 small letters, digits and dashes")
	}
	raw := make([]byte, keySize)
	if _, err := io.ReadFull(rand, raw); err != nil {
		return "", fmt.Errorf("make second factor key: %w", err)
	}
	return id + " " + base64.StdEncoding.EncodeToString(raw) + "\n", nil
}

// Any reports whether there is a key.
func (k Keys) Any() bool { return k.first != "" }

// Missing are those of the ids for which there is no key.
func (k Keys) Missing(ids []string) []string {
	return slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return k.boxes[id] != nil })
}

// Seal encrypts a secret of an identity. rand must be a cryptographic source.
func (k Keys) Seal(rand io.Reader, identityID string, secret []byte) (record.Sealed, error) {
	box := k.boxes[k.first]
	if box == nil {
		return record.Sealed{}, fault.New(fault.Precondition, "SIGN_IN_NOT_SET_UP", "this service has no key for second factors; its operator has to set one up")
	}
	nonce := make([]byte, box.NonceSize(), box.NonceSize()+len(secret)+box.Overhead())
	if _, err := io.ReadFull(rand, nonce); err != nil {
		return record.Sealed{}, fmt.Errorf("seal second factor: %w", err)
	}
	return record.Sealed{KeyID: k.first, Box: base64.RawURLEncoding.EncodeToString(box.Seal(nonce, nonce, secret, []byte(identityID)))}, nil
}

// Open decrypts a secret of an identity. Whatever cannot be opened is an Internal fault: it comes from the store.
func (k Keys) Open(identityID string, s record.Sealed) ([]byte, error) {
	damaged := func(text string) error {
		return fault.Wrap(fault.Internal, "SECOND_FACTOR", "an internal error", errors.New(text))
	}
	box := k.boxes[s.KeyID]
	if box == nil {
		return nil, damaged("there is no key " + s.KeyID + " for a second factor")
	}
	raw, err := base64.RawURLEncoding.Strict().DecodeString(s.Box)
	if err != nil || len(raw) < box.NonceSize() {
		return nil, damaged("a stored second factor is not sealed")
	}
	secret, err := box.Open(nil, raw[:box.NonceSize()], raw[box.NonceSize():], []byte(identityID))
	if err != nil {
		return nil, damaged("a stored second factor does not open under key " + s.KeyID)
	}
	return secret, nil
}

// String hides the keys.
func (k Keys) String() string { return "factor.Keys{...}" }

// GoString hides the keys.
func (k Keys) GoString() string { return k.String() }

// Format hides the keys, for every verb.
func (k Keys) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, k.String()) }
