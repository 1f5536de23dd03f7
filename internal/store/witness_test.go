package store

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
)

// witnessKey stands for a verifier key: of it the store knows that it is a text.
const witnessKey = "witness.example/w1+5a5a5a5a+AAAA"

// TestCosignaturesAreKept: in the order of sizes and witnesses, the first of a witness for good, none of a size that nobody signed.
func TestCosignaturesAreKept(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := pgtest.New(t)
	s := open(t, db)
	openLogs(t, s, clinicA)
	for range 3 {
		add(t, s, clinicA, "x", Write{Note: "note"})
	}
	in(t, s, clinicA, func(tx *Tx) error {
		var all []error
		for _, size := range []int64{3, 1} {
			for _, witness := range []string{"b", "a"} {
				all = append(all, tx.SaveCosignature(ctx, size, witness, "line "+witness))
			}
		}
		return errors.Join(append(all, tx.SaveCosignature(ctx, 3, "a", "a later line"))...)
	})
	in(t, s, clinicA, func(tx *Tx) error {
		of3, err := tx.Cosignatures(ctx, 3, 10)
		if err != nil || len(of3) != 2 || of3[0] != (CosignatureRow{ClinicID: clinicA, Size: 3, Witness: "a", Entry: 2, Line: "line a"}) {
			t.Errorf("of size 3: %v, %v", of3, err)
		}
		if of3, err = tx.Cosignatures(ctx, 3, 1); err != nil || len(of3) != 1 {
			t.Errorf("at most one of size 3: %v, %v", of3, err)
		}
		var walked []string
		for size, witness := int64(0), ""; ; {
			page, err := tx.ListCosignatures(ctx, size, witness, 1)
			if err != nil || len(page) == 0 {
				break
			}
			size, witness = page[0].Size, page[0].Witness
			walked = append(walked, string(rune('0'+size))+witness)
		}
		if !slices.Equal(walked, []string{"3b", "3a", "1b", "1a"}) {
			t.Errorf("walked %v", walked)
		}
		for witness, want := range map[string]int64{"a": 3, "c": 0} {
			if got, err := tx.NewestCosigned(ctx, witness); err != nil || got != want {
				t.Errorf("newest of %s: %d, %v", witness, got, err)
			}
		}
		return nil
	})
	for name, save := range map[string]func(*Tx) error{
		"a size beyond the log": func(tx *Tx) error { return tx.SaveCosignature(ctx, 4, "a", "line") },
		"a size of nothing":     func(tx *Tx) error { return tx.SaveCosignature(ctx, 0, "a", "line") },
		"no witness":            func(tx *Tx) error { return tx.SaveCosignature(ctx, 1, "", "line") },
		"a line without end":    func(tx *Tx) error { return tx.SaveCosignature(ctx, 1, "c", strings.Repeat("l", 1025)) },
	} {
		if err := s.InClinic(ctx, clinicA, save); err == nil {
			t.Errorf("%s was stored", name)
		}
	}
	add(t, s, clinicA, "x", Write{})
	err := s.InClinic(ctx, clinicA, func(tx *Tx) error { return tx.SaveCosignature(ctx, 4, "a", "line") })
	if err == nil || fault.Is(err, fault.NotFound) {
		t.Errorf("a size whose checkpoint is not stored: %v", err)
	}
}
