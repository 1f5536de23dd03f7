//go:build !unix

package localpg

import (
	"io/fs"
	"os/exec"
)

// account is who runs the Postgres programs: here always the current user.
type account struct {
	name  string
	other bool
}

func serverAccount() (account, error) { return account{name: "the current user"}, nil }

func (a account) apply(*exec.Cmd) {}

func (a account) give(string) error { return nil }

// owns has no means here: temporary folders are per user on these systems.
func (a account) owns(fs.FileInfo) bool { return true }
