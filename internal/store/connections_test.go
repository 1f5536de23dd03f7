package store

import (
	"testing"

	"ponderal.example/internal/pgtest"
)

// TestConnections: the bound is the one that was asked for, and nothing is at work once a question is answered.
func TestConnections(t *testing.T) {
	s := open(t, pgtest.New(t))
	if err := s.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := s.Connections()
	if got.Max < 1 || got.Total < 1 || got.Total > got.Max || got.InUse != 0 || got.Idle != got.Total {
		t.Errorf("after one question: %+v", got)
	}
}
