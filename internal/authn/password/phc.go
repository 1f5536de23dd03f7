package password

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Hash is a stored hash with its cost. Its text is the PHC string format as the reference implementation writes it:
//
//	$argon2id$v=19$m=65536,t=3,p=4$<salt>$<tag>
//
// with decimals without leading zeros and standard base64 without padding.
type Hash struct {
	Params
	Salt []byte
	Tag  []byte
}

// The bounds of a stored hash's parts in bytes: no salt shorter than the reference implementation's least, no tag below 128 bits.
const (
	minSalt, maxSalt = 8, 64
	minTag, maxTag   = 16, 64
	maxText          = 256
	phcPrefix        = "$argon2id$v=19$"
)

var phcBase64 = base64.RawStdEncoding.Strict()

// errForm is the one error for all that is not such a string: what is stored may not show in a log.
var errForm = errors.New("read a stored password hash: it is not of the form $argon2id$v=19$m=...,t=...,p=...$salt$tag within the bounds")

// String is the text to store.
func (h Hash) String() string {
	return fmt.Sprintf("%sm=%d,t=%d,p=%d$%s$%s", phcPrefix, h.MemoryKiB, h.Passes, h.Lanes,
		phcBase64.EncodeToString(h.Salt), phcBase64.EncodeToString(h.Tag))
}

// Parse reads exactly what String writes: what it accepts encodes to the same bytes. Costs beyond the bounds are refused, so that a string that
// someone slipped into the store cannot stop the service.
func Parse(text string) (Hash, error) {
	rest, ok := strings.CutPrefix(text, phcPrefix)
	if !ok || len(text) > maxText {
		return Hash{}, errForm
	}
	parts := strings.Split(rest, "$")
	if len(parts) != 3 {
		return Hash{}, errForm
	}
	params, ok := parseParams(parts[0])
	if !ok || params.check() != "" {
		return Hash{}, errForm
	}
	salt, saltErr := phcBase64.DecodeString(parts[1])
	tag, tagErr := phcBase64.DecodeString(parts[2])
	h := Hash{Params: params, Salt: salt, Tag: tag}
	// The last comparison also refuses what the decoders let pass, such as line breaks within base64 or a number with a leading zero.
	if saltErr != nil || tagErr != nil || len(salt) < minSalt || len(salt) > maxSalt || len(tag) < minTag || len(tag) > maxTag || h.String() != text {
		return Hash{}, errForm
	}
	return h, nil
}

func parseParams(text string) (Params, bool) {
	var p Params
	parts := strings.Split(text, ",")
	if len(parts) != 3 {
		return p, false
	}
	m, okM := parseNumber(parts[0], "m=", 32)
	t, okT := parseNumber(parts[1], "t=", 32)
	l, okL := parseNumber(parts[2], "p=", 8)
	return Params{MemoryKiB: uint32(m), Passes: uint32(t), Lanes: uint8(l)}, okM && okT && okL
}

func parseNumber(text, name string, bits int) (uint64, bool) {
	digits, ok := strings.CutPrefix(text, name)
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseUint(digits, 10, bits)
	return n, err == nil
}

// The prefix names the version that the library computes; a library with another does not build.
const _ = uint(argon2.Version-0x13) + uint(0x13-argon2.Version)
