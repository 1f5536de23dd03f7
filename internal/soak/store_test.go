package soak

import (
	"net/url"
	"testing"
	"time"

	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/store"
)

// TestStoreLeavesAHalfOpenConnection: a connection on which nothing comes back any more costs one call a second, not its whole time.
func TestStoreLeavesAHalfOpenConnection(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	u, err := url.Parse(db.ServiceURL)
	if err != nil {
		t.Fatal(err)
	}
	n, err := newNetwork(t.Context(), u.Host)
	if err != nil {
		t.Fatal(err)
	}
	defer n.close()
	u.Host = n.address()
	st, err := store.Open(t.Context(), store.Options{URL: u.String(), MaxConns: 2})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	// Every connection that the pool has now is lost, and nobody is told.
	n.change(mute)
	n.change(clear)
	time.Sleep(1100 * time.Millisecond)
	began := time.Now()
	if err := st.Ready(t.Context()); err != nil {
		t.Errorf("after %v: %v, want the half-open connection left and another made", time.Since(began), err)
	}
	n.forget()
}
