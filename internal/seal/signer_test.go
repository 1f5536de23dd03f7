package seal

import (
	"context"
	"crypto/ed25519"
	"errors"
	"strings"
	"testing"
	"time"
)

// errService is what a key service that is out of reach says; its text must not leave by ours.
var errService = errors.New("dial key service: connection refused")

// service is a key service: a key of ours behind a wire that fails or lies as the test sets.
type service struct {
	key    Key
	public PublicKey
	err    error
	answer func(signature []byte) []byte
	asked  int
}

func serviceOf(key Key) *service { return &service{key: key, public: key.Public()} }

func (s *service) Public() PublicKey { return s.public }

func (s *service) Sign(ctx context.Context, message []byte) ([]byte, error) {
	s.asked++
	if s.err != nil {
		return nil, s.err
	}
	signature, err := s.key.Sign(ctx, message)
	if err == nil && s.answer != nil {
		signature = s.answer(signature)
	}
	return signature, err
}

// TestServiceSignsAsAKeyDoes: Ed25519 is deterministic (RFC 8032), so a key service gives the same bytes as the key itself.
func TestServiceSignsAsAKeyDoes(t *testing.T) {
	result, log := testKey(t, 1, UseResult), testKey(t, 2, UseLog)
	jws, err := SignJWS(t.Context(), serviceOf(result), []byte(payload))
	if want := mustSign(t, result, payload); err != nil || jws != want {
		t.Errorf("result %q, %v, want %q", jws, err, want)
	}
	signed, err := SignCheckpoint(t.Context(), serviceOf(log), origin, 7, testRoot())
	if want := mustCheckpoint(t, log, origin, 7); err != nil || signed != want {
		t.Errorf("checkpoint %q, %v, want %q", signed, err, want)
	}
}

// TestSignerIsNotBelieved: what a signer returns is verified before it goes anywhere; one bit is enough to refuse it.
func TestSignerIsNotBelieved(t *testing.T) {
	ended, end := context.WithCancel(t.Context())
	end()
	for name, tt := range map[string]struct {
		ctx    context.Context
		change func(s *service)
		want   error
	}{
		"signs":                {t.Context(), func(*service) {}, nil},
		"fails":                {t.Context(), func(s *service) { s.err = errService }, ErrSigner},
		"fails, its own error": {t.Context(), func(s *service) { s.err = errService }, errService},
		"context ended":        {ended, func(*service) {}, ErrSigner},
		"context ended, as is": {ended, func(*service) {}, context.Canceled},
		"one bit wrong":        {t.Context(), func(s *service) { s.answer = func(b []byte) []byte { b[0] ^= 1; return b } }, ErrSignature},
		"nothing":              {t.Context(), func(s *service) { s.answer = func([]byte) []byte { return nil } }, ErrSignature},
		"short":                {t.Context(), func(s *service) { s.answer = func(b []byte) []byte { return b[:ed25519.SignatureSize-1] } }, ErrSignature},
		"long":                 {t.Context(), func(s *service) { s.answer = func(b []byte) []byte { return append(b, 0) } }, ErrSignature},
		"another key":          {t.Context(), func(s *service) { s.key = testKey(t, 9, s.key.Use) }, ErrSignature},
	} {
		t.Run(name, func(t *testing.T) {
			result, log := serviceOf(testKey(t, 1, UseResult)), serviceOf(testKey(t, 2, UseLog))
			tt.change(result)
			tt.change(log)
			jws, err := SignJWS(tt.ctx, result, []byte(payload))
			if !errors.Is(err, tt.want) || (err == nil) == (jws == "") {
				t.Errorf("result: %q, %v, want %v", jws, err, tt.want)
			}
			signed, err := SignCheckpoint(tt.ctx, log, origin, 7, testRoot())
			if !errors.Is(err, tt.want) || (err == nil) == (signed == "") {
				t.Errorf("checkpoint: %q, %v, want %v", signed, err, tt.want)
			}
		})
	}
}

// TestSignerThatMayNotSign is refused before it is asked.
func TestSignerThatMayNotSign(t *testing.T) {
	for name, tt := range map[string]struct {
		change func(p *PublicKey)
		want   error
		asked  int
	}{
		"may":              {func(*PublicKey) {}, nil, 1},
		"retired":          {func(p *PublicKey) { p.RetiredAt = leaked }, ErrRetired, 0},
		"compromised":      {func(p *PublicKey) { p.CompromisedFrom = leaked }, ErrCompromised, 0},
		"for another use":  {func(p *PublicKey) { p.Use = "other" }, ErrUse, 0},
		"under another id": {func(p *PublicKey) { p.ID = testKey(t, 3, UseLog).ID }, ErrThumbprint, 0},
		"without a key":    {func(p *PublicKey) { p.Key = nil }, ErrKey, 0},
	} {
		result, log := serviceOf(testKey(t, 1, UseResult)), serviceOf(testKey(t, 2, UseLog))
		tt.change(&result.public)
		tt.change(&log.public)
		if _, err := SignJWS(t.Context(), result, []byte(payload)); !errors.Is(err, tt.want) || result.asked != tt.asked {
			t.Errorf("%s: result: %v after %d questions, want %v after %d", name, err, result.asked, tt.want, tt.asked)
		}
		if _, err := SignCheckpoint(t.Context(), log, origin, 7, testRoot()); !errors.Is(err, tt.want) || log.asked != tt.asked {
			t.Errorf("%s: checkpoint: %v after %d questions, want %v after %d", name, err, log.asked, tt.want, tt.asked)
		}
	}
	if _, err := SignJWS(t.Context(), nil, []byte(payload)); !errors.Is(err, ErrKey) {
		t.Errorf("no signer: %v, want ErrKey", err)
	}
}

// leaked is the moment from which the test's keys are in other hands.
var leaked = time.Date(2026, 6, 1, 8, 30, 0, 250_000_000, time.UTC)

func TestRingSaysWhoMaySign(t *testing.T) {
	keys := make([]PublicKey, 4)
	for i := range keys {
		keys[i] = testKey(t, byte(i+1), UseResult).Public()
	}
	keys[1].RetiredAt, keys[2].CompromisedFrom = leaked, leaked
	keys[3].RetiredAt, keys[3].CompromisedFrom = leaked, leaked
	ring, err := NewRing(keys...)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []error{nil, ErrRetired, ErrCompromised, ErrCompromised} {
		err := ring.MaySign(keys[i].ID, UseResult)
		if !errors.Is(err, want) || err != nil && !strings.Contains(err.Error(), keys[i].ID+" ") {
			t.Errorf("key %d: %v, want %v that names it", i, err, want)
		}
	}
	if err := ring.MaySign(keys[0].ID, UseLog); !errors.Is(err, ErrUse) {
		t.Errorf("for logs: %v, want ErrUse", err)
	}
	if err := ring.MaySign("none", UseLog); !errors.Is(err, ErrUnknownKey) {
		t.Errorf("not in the set: %v, want ErrUnknownKey", err)
	}
}

// TestCompromisedAtTheMoment: the mark's moment counts, a microsecond before it does not.
func TestCompromisedAtTheMoment(t *testing.T) {
	key := testKey(t, 1, UseResult).Public()
	if key.CompromisedAt(leaked) || key.CompromisedAt(time.Time{}) {
		t.Error("a key without the mark is compromised")
	}
	key.CompromisedFrom = leaked
	for at, want := range map[time.Time]bool{leaked.Add(-time.Microsecond): false, leaked: true, leaked.Add(time.Microsecond): true, leaked.In(time.FixedZone("", 3600)): true} {
		if got := key.CompromisedAt(at); got != want {
			t.Errorf("at %s: %t, want %t", at, got, want)
		}
	}
}

func TestMoment(t *testing.T) {
	for text, want := range map[string]error{
		// The first three are examples of RFC 3339 section 5.8 (from memory); the second and third are one moment, and only UTC is our spelling.
		"1985-04-12T23:20:50.52Z":       nil,
		"1996-12-19T16:39:57-08:00":     ErrMoment,
		"1996-12-20T00:39:57Z":          nil,
		"2026-06-01T08:30:00.000001Z":   nil,
		"2026-06-01T08:30:00.0000001Z":  ErrMoment,
		"2026-06-01T08:30:00.250Z":      ErrMoment,
		"2026-06-01T08:30:00,25Z":       ErrMoment,
		"2026-06-01t08:30:00z":          ErrMoment,
		"2026-06-01T08:30:00+00:00":     ErrMoment,
		"2026-06-01T08:30Z":             ErrMoment,
		"2026-06-01":                    ErrMoment,
		"2026-02-29T00:00:00Z":          ErrMoment,
		"0001-01-01T00:00:00Z":          ErrMoment,
		" 2026-06-01T08:30:00Z":         ErrMoment,
		"":                              ErrMoment,
		"10000-01-01T00:00:00Z":         ErrMoment,
		"2026-06-01T08:30:00.25Z extra": ErrMoment,
	} {
		got, err := ParseMoment(text)
		if !errors.Is(err, want) {
			t.Errorf("%q: %v, want %v", text, err, want)
		}
		if err == nil && FormatMoment(got) != text {
			t.Errorf("%q is written as %q", text, FormatMoment(got))
		}
	}
}
