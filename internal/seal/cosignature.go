package seal

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/mod/sumdb/note"
)

// ErrWitness: text that is not the verifier key of a witness.
var ErrWitness = errors.New("seal: not the verifier key of a witness (NAME+HASH+BASE64 of an Ed25519 cosigner, C2SP tlog-cosignature)")

const (
	// algCosignature is the type of Ed25519 cosignatures, version 1, in verifier keys.
	algCosignature = 4
	// maxWitness is the longest verifier key that is taken, in bytes.
	maxWitness = 256
	// cosignatureSize is the time and the signature after the key id.
	cosignatureSize = 8 + ed25519.SignatureSize
)

// Witness is a cosigner of logs (C2SP tlog-cosignature): its name and its Ed25519 key. The zero Witness verifies nothing.
type Witness struct {
	name string
	hash uint32
	key  ed25519.PublicKey
}

// ParseWitness reads a verifier key as witnesses publish it, NAME+HASH+BASE64 with the signature type 0x04, in the one spelling that it has.
// The error is ErrWitness.
func ParseWitness(vkey string) (Witness, error) {
	name, rest, _ := strings.Cut(vkey, "+")
	_, text, _ := strings.Cut(rest, "+")
	raw, err := base64.StdEncoding.DecodeString(text)
	if err != nil || len(raw) != 1+ed25519.PublicKeySize || raw[0] != algCosignature || len(vkey) > maxWitness || !plainName(name) {
		return Witness{}, fmt.Errorf("parse witness: %w", ErrWitness)
	}
	w := Witness{name: name, hash: cosignerHash(name, raw), key: raw[1:]}
	if w.String() != vkey {
		return Witness{}, fmt.Errorf("parse witness: %w", ErrWitness)
	}
	return w, nil
}

// plainName reports whether a note can carry the name, and a line can show it.
func plainName(name string) bool {
	return name != "" && utf8.ValidString(name) && !strings.Contains(name, "+") &&
		!strings.ContainsFunc(name, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsGraphic(r) })
}

// cosignerHash is the key id: the first four bytes of SHA-256(name ‖ newline ‖ 0x04 ‖ key).
func cosignerHash(name string, key []byte) uint32 {
	sum := sha256.Sum256(append([]byte(name+"\n"), key...))
	return binary.BigEndian.Uint32(sum[:])
}

// Name is the witness's name, which stands on its signatures.
func (w Witness) Name() string { return w.name }

// KeyHash is the key id that stands in its signatures. With Name and Verify it makes a Witness a note.Verifier.
func (w Witness) KeyHash() uint32 { return w.hash }

// String is the verifier key that ParseWitness reads.
func (w Witness) String() string {
	return fmt.Sprintf("%s+%08x+%s", w.name, w.hash, base64.StdEncoding.EncodeToString(append([]byte{algCosignature}, w.key...)))
}

// Verify reports whether sig, the time and the signature, is the witness's cosignature of the text of a checkpoint.
func (w Witness) Verify(text, sig []byte) bool {
	if len(sig) != cosignatureSize || len(w.key) != ed25519.PublicKeySize {
		return false
	}
	at := binary.BigEndian.Uint64(sig)
	message := "cosignature/v1\ntime " + strconv.FormatUint(at, 10) + "\n" + string(text)
	return at <= math.MaxInt64 && ed25519.Verify(w.key, []byte(message), sig[8:])
}

// Cosignature is a witness's verified word that a log had this head, and none larger that it knew of, at a time.
type Cosignature struct {
	Witness Witness
	// At is the time that the witness wrote, to the second.
	At time.Time
	// Line is the line of the signed note, with its newline.
	Line string
}

// VerifyCosignature reads one line of a signed note, with its newline and in its one spelling, as the witness's cosignature of the checkpoint.
// Errors: ErrMalformed for what is no such line, ErrUnknownKey for another key's, ErrSignature.
func VerifyCosignature(w Witness, c Checkpoint, line string) (Cosignature, error) {
	name, raw, err := signatureLine(line)
	switch {
	case err != nil:
		return Cosignature{}, fmt.Errorf("verify cosignature: %w", err)
	case name != w.name || binary.BigEndian.Uint32(raw) != w.hash || len(w.key) == 0:
		return Cosignature{}, fmt.Errorf("verify cosignature: %w", ErrUnknownKey)
	case !w.Verify([]byte(c.Text()), raw[4:]):
		return Cosignature{}, fmt.Errorf("verify cosignature: %w", ErrSignature)
	}
	return Cosignature{Witness: w, At: cosignedAt(raw), Line: line}, nil
}

func cosignedAt(raw []byte) time.Time {
	return time.Unix(int64(binary.BigEndian.Uint64(raw[4:])), 0).UTC()
}

// ReadCosignature reads the name and the time of a line of a signed note that is a cosignature, without verifying it. The error is ErrMalformed.
func ReadCosignature(line string) (name string, at time.Time, err error) {
	name, raw, err := signatureLine(line)
	if err != nil || len(raw) != 4+cosignatureSize || raw[4] > math.MaxInt8 {
		return "", time.Time{}, fmt.Errorf("read cosignature: %w", ErrMalformed)
	}
	return name, cosignedAt(raw), nil
}

// signatureLine reads a line of a signed note: the name, and the key id with the signature, which is at least five bytes.
func signatureLine(line string) (name string, raw []byte, err error) {
	rest, begins := strings.CutPrefix(line, "— ")
	rest, ends := strings.CutSuffix(rest, "\n")
	name, text, two := strings.Cut(rest, " ")
	raw, err = base64.StdEncoding.DecodeString(text)
	if !begins || !ends || !two || err != nil || len(raw) < 5 || base64.StdEncoding.EncodeToString(raw) != text || !plainName(name) {
		return "", nil, ErrMalformed
	}
	return name, raw, nil
}

// Cosigned sorts the signatures of a note that VerifyCheckpoint took: those of the witnesses, verified, and the names on the others beside the
// log's own, which are nobody's word. A line that has a witness's name and key id and does not verify is ErrSignature.
func Cosigned(c Checkpoint, signed string, witnesses []Witness) (by []Cosignature, others []string, err error) {
	_, block, ok := strings.Cut(signed, "\n\n")
	if !ok {
		return nil, nil, fmt.Errorf("sort cosignatures: %w", ErrMalformed)
	}
	for line := range strings.SplitAfterSeq(block, "\n") {
		if line == "" {
			continue
		}
		name, raw, err := signatureLine(line)
		if err != nil {
			return nil, nil, fmt.Errorf("sort cosignatures: %w", err)
		}
		if name == c.Origin {
			continue
		}
		cosignature, known, err := oneOf(c, line, binary.BigEndian.Uint32(raw), name, witnesses)
		switch {
		case err != nil:
			return nil, nil, err
		case known:
			by = append(by, cosignature)
		default:
			others = append(others, name)
		}
	}
	return by, others, nil
}

func oneOf(c Checkpoint, line string, hash uint32, name string, witnesses []Witness) (Cosignature, bool, error) {
	for _, w := range witnesses {
		if w.name == name && w.hash == hash {
			cosignature, err := VerifyCosignature(w, c, line)
			return cosignature, err == nil, err
		}
	}
	return Cosignature{}, false, nil
}

// AddCosignatures appends lines to a signed note, each once and only beside what is there, so that the note stays the one spelling of itself.
func AddCosignatures(signed string, lines ...string) string {
	there := map[string]bool{}
	for line := range strings.SplitAfterSeq(signed, "\n") {
		there[line] = true
	}
	for _, line := range lines {
		if !there[line] {
			there[line] = true
			signed += line
		}
	}
	return signed
}

var _ note.Verifier = Witness{}
