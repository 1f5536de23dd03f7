package seal

import (
	"fmt"
	"time"
)

// The standing of a key, as PublicKey carries it and a key set publishes it:
//
//   - in use: neither moment is set;
//   - retired: it signs no more, and all that it signed stays valid;
//   - compromised: somebody else may hold the private key from that moment on, so
//     its signature alone shows nothing any more: not even when it was made, for
//     whoever holds the key writes the time.
//
// VerifyJWS and VerifyCheckpoint say that a key made a signature and look at no
// standing. What a compromised key's signature is worth depends on what else shows
// its age, which is the verifier's to judge (package bundle).

// MaySign refuses a key that is compromised (ErrCompromised) or retired
// (ErrRetired), from whatever moment: nothing new is signed with it.
func (k PublicKey) MaySign() error {
	switch {
	case !k.CompromisedFrom.IsZero():
		return fmt.Errorf("%s key %s from %s: %w", k.Use, k.ID, FormatMoment(k.CompromisedFrom), ErrCompromised)
	case !k.RetiredAt.IsZero():
		return fmt.Errorf("%s key %s at %s: %w", k.Use, k.ID, FormatMoment(k.RetiredAt), ErrRetired)
	}
	return nil
}

// CompromisedAt reports whether the key is marked compromised for that moment:
// the mark's own moment counts, one microsecond before it does not.
func (k PublicKey) CompromisedAt(at time.Time) bool {
	return !k.CompromisedFrom.IsZero() && !at.Before(k.CompromisedFrom)
}

// MaySign finds the key that a service is to sign with and refuses it unless the
// set holds it for that use (ErrUnknownKey, ErrUse) and marks it neither
// compromised nor retired.
func (r Ring) MaySign(id string, use Use) error {
	k, err := r.Find(id, use)
	if err != nil {
		return err
	}
	return k.MaySign()
}

// momentLayout is RFC 3339 in UTC down to the microsecond, without trailing zeros:
// the spelling of every moment that Ponderal stores.
const momentLayout = "2006-01-02T15:04:05.999999Z07:00"

// FormatMoment writes a moment in the one spelling that a key set has for it; what
// is below a microsecond is cut off.
func FormatMoment(t time.Time) string { return exact(t).Format(momentLayout) }

// ParseMoment reads exactly what FormatMoment writes for any moment but Go's zero
// time, which stands for none. The error is ErrMoment.
func ParseMoment(text string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.IsZero() || FormatMoment(t) != text {
		return time.Time{}, ErrMoment
	}
	return t.UTC(), nil
}

// exact is a moment as a key set holds it.
func exact(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// moment is an optional member of a published key.
func moment(text *string) (time.Time, error) {
	if text == nil {
		return time.Time{}, nil
	}
	return ParseMoment(*text)
}

// member is a moment as an optional member, nil for none.
func member(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	text := FormatMoment(t)
	return &text
}
