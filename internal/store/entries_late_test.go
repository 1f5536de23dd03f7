package store

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
)

// correctLate signs a result of a session and corrects the session afterwards; it returns the numbers of both entries.
func correctLate(t testing.TB, s *Store, clinic string) (signed, corrected int64) {
	t.Helper()
	revision := func(n int) []SessionRow {
		return []SessionRow{{ID: id(210), ReferralID: id(104), Revision: n, Body: []byte(`{"evaluator_id":"` + id(102) + `"}`)}}
	}
	add(t, s, clinic, record.ActionSessionPush, Write{Sessions: revision(1)})
	signed = add(t, s, clinic, record.ActionResultSign, Write{Results: []NewResult{{ID: id(310), SessionID: id(210), SessionRevision: 1, JWS: "jws",
		Path: make([]byte, 32)}}})
	return signed, add(t, s, clinic, record.ActionTrialCorrect, Write{Sessions: revision(2)})
}

// TestLateCorrections: found by the time of the signature, to the microsecond, after a place in the order of time, and made at a moment at the latest.
func TestLateCorrections(t *testing.T) {
	t.Parallel()
	s := open(t, pgtest.New(t))
	openLogs(t, s, clinicA)
	signed, corrected := correctLate(t, s, clinicA)
	at := func(number int64) time.Time { return now.Add(time.Duration(number) * time.Second) }
	const µs = time.Microsecond
	want := []LateRow{{LateKey: LateKey{At: at(corrected), Number: corrected}, SessionID: id(210), Revision: 2, ResultID: id(310), SignedAt: at(signed)}}
	for name, c := range map[string]struct {
		since, until time.Time
		after        LateKey
		asOf         time.Time
		found        bool
	}{
		"no bound":                         {found: true},
		"signed at since":                  {since: at(signed), found: true},
		"signed before since":              {since: at(signed).Add(µs)},
		"signed before until":              {until: at(signed).Add(µs), found: true},
		"signed at until":                  {until: at(signed)},
		"after the entry before":           {after: LateKey{at(corrected), corrected - 1}, found: true},
		"after itself":                     {after: LateKey{at(corrected), corrected}},
		"corrected at the last moment":     {asOf: at(corrected), found: true},
		"corrected behind the last moment": {asOf: at(corrected).Add(-µs)},
	} {
		if c.asOf.IsZero() {
			c.asOf = at(99)
		}
		err := s.ReadClinic(context.Background(), clinicA, func(tx *Tx) error {
			got, err := tx.LateCorrections(context.Background(), c.since, c.until, c.after, c.asOf, 10)
			if c.found != (cmp.Diff(want, got) == "") || !c.found && len(got) > 0 {
				t.Errorf("%s: %+v", name, got)
			}
			return err
		})
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
