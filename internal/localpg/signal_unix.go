//go:build unix

package localpg

import (
	"errors"
	"os"
	"syscall"
)

// The postmaster's own meanings: SIGINT ends all connections and writes a
// checkpoint; SIGQUIT leaves at once and recovers at the next start.
func signalFast(p *os.Process) error { return p.Signal(syscall.SIGINT) }
func signalHard(p *os.Process) error { return p.Signal(syscall.SIGQUIT) }

// alive says whether a process with this id exists, whoever owns it.
func alive(pid int) bool {
	err := syscall.Kill(pid, 0)
	return err == nil || errors.Is(err, syscall.EPERM)
}

// tryLock takes the exclusive lock on an open file without waiting. The kernel
// frees it when the file is closed, also by the death of the process.
func tryLock(f *os.File) (bool, error) {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return false, nil
	}
	return err == nil, err
}
