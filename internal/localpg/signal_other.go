//go:build !unix

package localpg

import "os"

// There are no signals to end a foreign process in good order: it is ended,
// and Postgres recovers at the next start.
func signalFast(p *os.Process) error { return p.Kill() }
func signalHard(p *os.Process) error { return p.Kill() }

func alive(pid int) bool {
	_, err := os.FindProcess(pid)
	return err == nil
}

// tryLock has no means here; Postgres' own lock file still keeps two servers
// from using one folder.
func tryLock(*os.File) (bool, error) { return true, nil }
