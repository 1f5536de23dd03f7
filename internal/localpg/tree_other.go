//go:build !linux

package localpg

import (
	"fmt"
	"os"
)

// killTree kills the postmaster; its children see that it is gone and end by themselves.
func killTree(pid int) error {
	p, err := os.FindProcess(pid)
	if err != nil {
		return fmt.Errorf("find process %d: %w", pid, err)
	}
	return p.Kill()
}
