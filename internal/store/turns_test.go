package store

import (
	"context"
	"sync"
	"testing"
	"time"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/pgtest"
)

// TestHeldHeadLeavesConnections: another session holds the head of a clinic's log, and more writes of that clinic wait than the pool has connections.
// Reads of it and writes of another clinic go on; the waiting ones end with their callers, and go on once the head is free.
func TestHeldHeadLeavesConnections(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	s := open(t, db)
	openLogs(t, s, clinicA, clinicB)
	ctx := context.Background()
	other := connect(t, db.SuperURL)
	if _, err := other.Exec(ctx, "BEGIN; SELECT 1 FROM ponderal.audit_head WHERE clinic_id = '"+clinicA+"' FOR UPDATE"); err != nil {
		t.Fatal(err)
	}
	lock := func(ctx context.Context, clinic string) error {
		return s.InClinic(ctx, clinic, func(tx *Tx) error { _, _, err := tx.LockHead(ctx); return err })
	}
	short, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	var waiting sync.WaitGroup
	for range 3 * s.pool.Config().MaxConns {
		waiting.Go(func() {
			if err := lock(short, clinicA); !fault.Is(err, fault.Deadline) {
				t.Errorf("a write that waits in vain: %v", err)
			}
		})
	}
	for s.pool.Stat().AcquiredConns() < s.pool.Config().MaxConns/2 && short.Err() == nil {
		time.Sleep(time.Millisecond)
	}
	begin := time.Now()
	if err := s.ReadClinic(ctx, clinicA, func(tx *Tx) error { _, _, err := tx.Head(ctx); return err }); err != nil {
		t.Errorf("a read of that clinic: %v", err)
	}
	if err := lock(ctx, clinicB); err != nil {
		t.Errorf("a write of another clinic: %v", err)
	}
	if short.Err() != nil {
		t.Errorf("both took %v, and nobody waited any more", time.Since(begin))
	}
	waiting.Wait()
	if _, err := other.Exec(ctx, "ROLLBACK"); err != nil {
		t.Fatal(err)
	}
	if err := lock(ctx, clinicA); err != nil {
		t.Errorf("once the head is free: %v", err)
	}
	s.turns.mu.Lock()
	defer s.turns.mu.Unlock()
	if len(s.turns.of) != 0 {
		t.Errorf("turns are kept of %d clinics when nothing goes on", len(s.turns.of))
	}
}
