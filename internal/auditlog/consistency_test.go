package auditlog

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// grown is a log of nine entries of which the third, the sixth and the ninth were signed, with its roots made from the leaves alone.
func grown(t *testing.T) (*store.Store, *Log, []tlog.Hash) {
	t.Helper()
	s, l := testStore(t), testLog(t)
	for i := range 9 {
		appendOne(t, s, l, sessionDraft(10+i), i%3 == 2)
	}
	var roots []tlog.Hash
	reading(t, s, func(ctx context.Context, tx *store.Tx) {
		rows, err := tx.Entries(ctx, -1, "", "", 100)
		if err != nil {
			t.Fatal(err)
		}
		roots = rootsFromScratch(t, rows)
	})
	return s, l, roots
}

func reading(t *testing.T, s *store.Store, fn func(context.Context, *store.Tx)) {
	t.Helper()
	ctx := context.Background()
	err := s.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		fn(ctx, tx)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func listOf(path [][32]byte) (out []tlog.Hash) {
	for _, h := range path {
		out = append(out, h)
	}
	return out
}

// TestConsistencyOfEveryPair: golang.org/x/mod/sumdb/tlog takes each proof against roots that were computed from the leaves.
func TestConsistencyOfEveryPair(t *testing.T) {
	s, l, roots := grown(t)
	reading(t, s, func(ctx context.Context, tx *store.Tx) {
		for newer := int64(1); newer <= 9; newer++ {
			for older := int64(1); older <= newer; older++ {
				c, err := l.ProveConsistency(ctx, tx, clinic, older, newer)
				if err != nil {
					t.Fatalf("%d in %d: %v", older, newer, err)
				}
				if c.Old.Size != older || c.New.Size != newer || c.Old.Root != roots[older] || c.New.Root != roots[newer] {
					t.Errorf("%d in %d: trees %+v, %+v", older, newer, c.Old, c.New)
				}
				if err := tlog.CheckTree(listOf(c.Path), newer, roots[newer], older, roots[older]); err != nil {
					t.Errorf("%d in %d: %v", older, newer, err)
				}
				// Every third size was signed, and the newest can be.
				if signed := c.Old.Checkpoint != ""; signed != (older%3 == 0) {
					t.Errorf("size %d has a checkpoint: %v", older, signed)
				}
			}
		}
		now, err := l.ProveConsistency(ctx, tx, clinic, 4, 0)
		if err != nil || now.New.Size != 9 {
			t.Fatalf("with the log as it stands: %+v, %v", now.New, err)
		}
		head, err := seal.VerifyCheckpoint(l.ring, l.Origin(clinic), now.New.Checkpoint)
		if err != nil || head.Size != 9 || head.Root != now.New.Root {
			t.Errorf("its checkpoint: %+v, %v", head, err)
		}
		for _, bad := range [][2]int64{{0, 9}, {-1, 9}, {5, 4}, {1, 10}, {10, 0}, {1, -1}} {
			if _, err := l.ProveConsistency(ctx, tx, clinic, bad[0], bad[1]); !fault.Is(err, fault.NotFound) {
				t.Errorf("%d in %d: %v", bad[0], bad[1], err)
			}
		}
	})
}

func TestInclusionByLeafHash(t *testing.T) {
	s, l, roots := grown(t)
	reading(t, s, func(ctx context.Context, tx *store.Tx) {
		for size := int64(1); size <= 9; size++ {
			for number := range size {
				i, err := l.ProveInclusion(ctx, tx, clinic, number, size)
				if err != nil {
					t.Fatalf("%d in %d: %v", number, size, err)
				}
				e, err := tx.Entry(ctx, number)
				if err != nil {
					t.Fatal(err)
				}
				if i.LeafHash != merkle.LeafHash(e.Salt, e.Content) {
					t.Errorf("%d: leaf %x", number, i.LeafHash)
				}
				if err := tlog.CheckRecord(listOf(i.Path), size, roots[size], number, i.LeafHash); err != nil {
					t.Errorf("%d in %d: %v", number, size, err)
				}
			}
		}
		for _, bad := range [][2]int64{{-1, 9}, {9, 9}, {9, 0}, {0, 10}, {4, 4}, {0, -1}} {
			if _, err := l.ProveInclusion(ctx, tx, clinic, bad[0], bad[1]); !fault.Is(err, fault.NotFound) {
				t.Errorf("%d in %d: %v", bad[0], bad[1], err)
			}
		}
	})
}

// TestCheckpointCarriesCosignatures: those of its size and no others, and the note still verifies.
func TestCheckpointCarriesCosignatures(t *testing.T) {
	s, l, _ := grown(t)
	ctx := context.Background()
	lines := map[int64]string{6: "— witness.example/a AAAAAAYG\n", 9: "— witness.example/a AAAAAAkJ\n"}
	err := s.InClinic(ctx, clinic, func(tx *store.Tx) error {
		for size, line := range lines {
			if err := tx.SaveCosignature(ctx, size, "a", line); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	reading(t, s, func(ctx context.Context, tx *store.Tx) {
		note, size, _, err := l.Checkpoint(ctx, tx, clinic)
		if err != nil || size != 9 || !strings.HasSuffix(note, lines[9]) || strings.Contains(note, lines[6]) {
			t.Errorf("%q, %v", note, err)
		}
		head, err := seal.VerifyCheckpoint(l.ring, l.Origin(clinic), note)
		if err != nil || len(head.Witnesses) != 1 || head.Witnesses[0] != "witness.example/a" {
			t.Errorf("%+v, %v", head, err)
		}
		c, err := l.ProveConsistency(ctx, tx, clinic, 3, 6)
		if err != nil || strings.Contains(c.Old.Checkpoint, "witness") || !strings.HasSuffix(c.New.Checkpoint, lines[6]) {
			t.Errorf("%q, %q, %v", c.Old.Checkpoint, c.New.Checkpoint, err)
		}
	})
}

// damagedStore is a store with a way round it: a superuser for whom no trigger fires.
func damagedStore(t *testing.T) (*store.Store, func(sql string)) {
	t.Helper()
	ctx := context.Background()
	db := pgtest.New(t)
	s, err := store.Open(ctx, store.Options{URL: db.ServiceURL, MaxConns: 4})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	super, err := pgx.Connect(ctx, db.SuperURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = super.Close(ctx) })
	run := func(sql string) {
		if _, err := super.Exec(ctx, sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	run("SET session_replication_role = replica")
	if err := s.InClinic(ctx, clinic, func(tx *store.Tx) error { return tx.OpenLog(ctx) }); err != nil {
		t.Fatal(err)
	}
	return s, run
}

// TestNothingIsProvedOfADamagedLog: a stored hash or a checkpoint that does not fit gives no proof, and the answer says what to run.
func TestNothingIsProvedOfADamagedLog(t *testing.T) {
	l := testLog(t)
	s, super := damagedStore(t)
	for i := range 9 {
		appendOne(t, s, l, sessionDraft(10+i), i%3 == 2)
	}
	reading(t, s, func(ctx context.Context, tx *store.Tx) {
		if _, err := l.ProveConsistency(ctx, tx, clinic, 3, 9); err != nil {
			t.Fatal(err)
		}
	})
	for _, c := range [][2]string{
		{"a stored hash", "UPDATE ponderal.audit_entry SET nodes = set_byte(nodes, 0, get_byte(nodes, 0) # 1) WHERE number = 2"},
		{"a checkpoint", "UPDATE ponderal.checkpoint a SET note = b.note FROM ponderal.checkpoint b WHERE a.size = 3 AND b.size = 6"},
	} {
		name, change := c[0], c[1]
		super(change)
		reading(t, s, func(ctx context.Context, tx *store.Tx) {
			_, err := l.ProveConsistency(ctx, tx, clinic, 3, 9)
			var f *fault.Error
			if !errors.As(err, &f) || f.Reason != "LOG_DAMAGED" {
				t.Errorf("%s altered: %v", name, err)
			}
		})
		if name == "a stored hash" {
			super(change) // the same bit again
		}
	}
}
