// Package seal signs and verifies what leaves the service: results as JWS
// (RFC 7515) with EdDSA over Ed25519 (RFC 8037), and checkpoints of the audit
// logs as signed notes. It owns the private keys and the public key set.
//
// Everything it parses it parses strictly: what is accepted re-encodes to the
// same bytes, so that there is one spelling of one signed thing.
//
// The package is pure: key files, clocks and randomness come in from outside.
package seal

import "errors"

// Use says what a key signs. A key has one use and verifies for no other.
type Use string

const (
	// UseResult keys sign results.
	UseResult Use = "result"
	// UseLog keys sign checkpoints of the audit logs.
	UseLog Use = "log"
)

// Valid reports whether u is a known use.
func (u Use) Valid() bool { return u == UseResult || u == UseLog }

// The errors of this package, for errors.Is. Their text never holds a key,
// a payload or a signature.
var (
	// ErrUse: a use that is unknown, or a key used for what it is not for.
	ErrUse = errors.New("seal: key not for this use")
	// ErrKey: a private or public key that cannot be read, or not strictly.
	ErrKey = errors.New("seal: malformed key")
	// ErrKeySet: a key set that is not strictly of our form.
	ErrKeySet = errors.New("seal: malformed key set")
	// ErrPrivateMember: a published key set that holds a private key.
	ErrPrivateMember = errors.New("seal: key set holds a private member")
	// ErrThumbprint: a key whose id is not its RFC 7638 thumbprint.
	ErrThumbprint = errors.New("seal: key id is not the key's thumbprint")
	// ErrDuplicateKey: a key that stands twice in a set.
	ErrDuplicateKey = errors.New("seal: key stands twice")
	// ErrUnknownKey: no key of the set made the signature.
	ErrUnknownKey = errors.New("seal: unknown key")
	// ErrMalformed: a JWS or note that is not strictly of our form.
	ErrMalformed = errors.New("seal: malformed signed text")
	// ErrAlgorithm: a JWS whose algorithm is not EdDSA.
	ErrAlgorithm = errors.New("seal: algorithm not allowed")
	// ErrHeader: a JWS whose protected header is not exactly alg, kid and typ.
	ErrHeader = errors.New("seal: protected header not allowed")
	// ErrSignature: a signature that does not verify.
	ErrSignature = errors.New("seal: signature does not verify")
	// ErrSigner: the signer did not sign; its own error is wrapped too.
	ErrSigner = errors.New("seal: the signer did not sign")
	// ErrRetired: a key that is retired was to sign.
	ErrRetired = errors.New("seal: key is retired")
	// ErrCompromised: a key that is marked compromised was to sign.
	ErrCompromised = errors.New("seal: key is marked compromised")
	// ErrMoment: a moment that is not RFC 3339 in UTC in its one spelling.
	ErrMoment = errors.New("seal: malformed moment")
	// ErrOrigin: a checkpoint of another log, or a name no log can have.
	ErrOrigin = errors.New("seal: checkpoint of another origin")
)
