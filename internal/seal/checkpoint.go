package seal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/mod/sumdb/note"
)

// Checkpoint is the head of one audit log: the body of a C2SP tlog-checkpoint.
type Checkpoint struct {
	// Origin names the log, "<log name>/<clinic uuid>".
	Origin string
	// Size is how many entries the log has.
	Size int64
	// Root is the RFC 6962 root hash of that tree.
	Root [32]byte

	// KeyIDs are the log keys of the ring whose signatures verified, in the
	// order of the note. Empty in a checkpoint that was only parsed.
	KeyIDs []string
	// Witnesses are the names on signatures by keys that the ring does not
	// hold, in the order of the note. They are unverified.
	Witnesses []string
}

// Text returns the three lines that are signed: origin, size in decimal, root in
// base64, each ended by a newline.
func (c Checkpoint) Text() string {
	return c.Origin + "\n" + strconv.FormatInt(c.Size, 10) + "\n" +
		base64.StdEncoding.EncodeToString(c.Root[:]) + "\n"
}

// ParseCheckpoint reads exactly what Text writes. The text is not signed: use
// VerifyCheckpoint for anything that came from outside. Extension lines, which
// the format allows and ours never has, are refused. The error is ErrMalformed.
func ParseCheckpoint(text string) (Checkpoint, error) {
	lines := strings.Split(text, "\n")
	if len(lines) != 4 || lines[0] == "" {
		return Checkpoint{}, fmt.Errorf("parse checkpoint: %w", ErrMalformed)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	if err != nil || size < 0 {
		return Checkpoint{}, fmt.Errorf("parse checkpoint: %w", ErrMalformed)
	}
	root, err := base64.StdEncoding.DecodeString(lines[2])
	if err != nil || len(root) != 32 {
		return Checkpoint{}, fmt.Errorf("parse checkpoint: %w", ErrMalformed)
	}
	c := Checkpoint{Origin: lines[0], Size: size, Root: [32]byte(root)}
	if c.Text() != text {
		return Checkpoint{}, fmt.Errorf("parse checkpoint: %w", ErrMalformed)
	}
	return c, nil
}

// SignCheckpoint returns the signed note of the log's head. The key must be for
// logs; its name on the note is the origin. An origin that is empty or has
// spaces, a plus or control characters is ErrOrigin, a negative size ErrMalformed;
// the other errors are those of SignJWS. The signature is verified before it is
// returned.
func SignCheckpoint(ctx context.Context, key Signer, origin string, size int64, root [32]byte) (string, error) {
	public, err := ready(key, UseLog)
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	if size < 0 {
		return "", fmt.Errorf("sign checkpoint: %w", ErrMalformed)
	}
	verifier, err := noteVerifier(origin, public)
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	text := Checkpoint{Origin: origin, Size: size, Root: root}.Text()
	sign := func(message []byte) ([]byte, error) { return signBy(ctx, key, public, message) }
	signed, err := note.Sign(&note.Note{Text: text}, noteSigner{Verifier: verifier, sign: sign})
	if err != nil {
		return "", fmt.Errorf("sign checkpoint: %w", err)
	}
	return string(signed), nil
}

// VerifyCheckpoint returns the checkpoint of a signed note. At least one log key
// of the ring must have signed it under the origin's name, and every signature
// that names one must verify. Signatures by other keys are allowed, for a note
// may have been witnessed; their names are returned, unverified. The whole
// note must be the one spelling of itself. Errors: ErrMalformed, ErrOrigin,
// ErrUnknownKey, ErrUse, ErrSignature.
func VerifyCheckpoint(ring Ring, origin, signed string) (Checkpoint, error) {
	known, err := verifiersOf(ring, origin, UseLog)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("verify checkpoint: %w", err)
	}
	opened, err := note.Open([]byte(signed), note.VerifierList(known.list...))
	if err != nil {
		return Checkpoint{}, fmt.Errorf("verify checkpoint: %w", openReason(err, ring, origin, signed))
	}
	c, err := ParseCheckpoint(opened.Text)
	if err != nil {
		return Checkpoint{}, fmt.Errorf("verify checkpoint: %w", err)
	}
	if c.Origin != origin {
		return Checkpoint{}, fmt.Errorf("verify checkpoint: %w", ErrOrigin)
	}
	if !sameLines(opened, signed) {
		return Checkpoint{}, fmt.Errorf("verify checkpoint: %w", ErrMalformed)
	}
	for _, s := range opened.Sigs {
		c.KeyIDs = append(c.KeyIDs, known.ids[s.Hash])
	}
	for _, s := range opened.UnverifiedSigs {
		c.Witnesses = append(c.Witnesses, s.Name)
	}
	return c, nil
}

// sameLines reports whether the note is the text, an empty line and each of the
// signatures once in canonical base64: note.Open drops repeated ones and allows
// loose base64.
func sameLines(opened *note.Note, signed string) bool {
	lines := make(map[string]bool)
	for _, list := range [][]note.Signature{opened.Sigs, opened.UnverifiedSigs} {
		for _, s := range list {
			raw, err := base64.StdEncoding.DecodeString(s.Base64)
			if err != nil {
				return false
			}
			lines["— "+s.Name+" "+base64.StdEncoding.EncodeToString(raw)+"\n"] = true
		}
	}
	block, ok := strings.CutPrefix(signed, opened.Text+"\n")
	if !ok || len(lines) != len(opened.Sigs)+len(opened.UnverifiedSigs) {
		return false
	}
	n := 0
	for line := range strings.SplitAfterSeq(block, "\n") {
		if line == "" {
			continue
		}
		if !lines[line] {
			return false
		}
		n++
	}
	return n == len(lines)
}

// openReason sorts the errors of note.Open.
func openReason(err error, ring Ring, origin, signed string) error {
	var bad *note.InvalidSignatureError
	var none *note.UnverifiedNoteError
	switch {
	case errors.As(err, &bad):
		return ErrSignature
	case errors.As(err, &none):
		return unverifiedReason(none.Note, ring, origin, signed)
	}
	return ErrMalformed
}

// unverifiedReason tells apart why a note has no signature by a log key of the
// ring for this origin: it is another log's, a key of another use made it, or
// the key is not known.
func unverifiedReason(n *note.Note, ring Ring, origin, signed string) error {
	c, err := ParseCheckpoint(n.Text)
	if err != nil {
		return err
	}
	if c.Origin != origin {
		return ErrOrigin
	}
	others, err := verifiersOf(ring, origin, UseResult)
	if err != nil {
		return err
	}
	if _, err := note.Open([]byte(signed), note.VerifierList(others.list...)); err == nil {
		return ErrUse
	}
	return ErrUnknownKey
}

// verifiers are the keys of one use, under the name of one log.
type verifiers struct {
	list []note.Verifier
	ids  map[uint32]string
}

func verifiersOf(ring Ring, origin string, use Use) (verifiers, error) {
	v := verifiers{ids: make(map[uint32]string)}
	for _, k := range ring.keys {
		if k.Use != use {
			continue
		}
		verifier, err := noteVerifier(origin, k)
		if err != nil {
			return verifiers{}, err
		}
		v.list = append(v.list, verifier)
		v.ids[verifier.KeyHash()] = k.ID
	}
	return v, nil
}

// noteVerifier is the key under the name of a log. The name must be one that a
// note can carry: no spaces, plus or control characters.
func noteVerifier(origin string, k PublicKey) (note.Verifier, error) {
	if strings.ContainsFunc(origin, unicode.IsControl) {
		return nil, ErrOrigin
	}
	encoded, err := note.NewEd25519VerifierKey(origin, k.Key)
	if err != nil {
		return nil, ErrKey
	}
	verifier, err := note.NewVerifier(encoded)
	if err != nil || verifier.Name() != origin {
		return nil, ErrOrigin
	}
	return verifier, nil
}

// noteSigner signs under the name and key hash of its verifier.
type noteSigner struct {
	note.Verifier
	sign func(message []byte) ([]byte, error)
}

// Sign implements note.Signer.
func (s noteSigner) Sign(msg []byte) ([]byte, error) { return s.sign(msg) }
