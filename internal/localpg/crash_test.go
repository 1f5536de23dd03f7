//go:build unix

package localpg

import (
	"testing"
)

func TestCrashedServerRestartsWithWhatItCommitted(t *testing.T) {
	t.Parallel()
	o := quick(publicDir(t))
	// What was committed must be on the disk, or the log is cut there.
	o.NoFsync = false
	s := mustStart(t, o)
	mustExec(t, s.AdminURL(""), "CREATE TABLE kept (n int)")
	mustExec(t, s.AdminURL(""), "INSERT INTO kept VALUES (7)")
	address := s.AdminURL("")
	for range 2 {
		// A second time does nothing.
		if err := s.Crash(); err != nil {
			t.Fatal(err)
		}
	}
	for range 2 {
		if err := s.Restart(limited(t)); err != nil {
			t.Fatal(err)
		}
	}
	if s.AdminURL("") != address {
		t.Errorf("after the restart it is at %s, was at %s", s.Address(), address)
	}
	if got := queryOne[int](t, address, "SELECT n FROM kept"); got != 7 {
		t.Errorf("stored %d, want 7", got)
	}
}

func TestStandbyHasEveryCommitOfAKilledPrimary(t *testing.T) {
	t.Parallel()
	o := quick(publicDir(t))
	o.NoFsync = false
	primary := mustStart(t, o)
	mustExec(t, primary.AdminURL(""), "CREATE TABLE kept (n int)")
	standby, err := primary.Standby(limited(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { mustClose(t, standby) })
	mustExec(t, primary.AdminURL(""), "INSERT INTO kept VALUES (7)")
	if err := primary.Crash(); err != nil {
		t.Fatal(err)
	}
	if err := standby.Promote(limited(t)); err != nil {
		t.Fatal(err)
	}
	if got := queryOne[int](t, standby.AdminURL(""), "SELECT n FROM kept"); got != 7 {
		t.Errorf("the standby has %d, want 7", got)
	}
	// It waits for no standby of its own.
	mustExec(t, standby.AdminURL(""), "INSERT INTO kept VALUES (8)")
}
