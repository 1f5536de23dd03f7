//go:build unix

package localpg

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"strconv"
	"syscall"
)

// account is who runs the Postgres programs. They refuse to run as root, so
// root runs them as an unprivileged user that owns the data folder.
type account struct {
	name     string
	uid, gid int
	other    bool // not the user of this process
}

// serverAccount is the user of this process or, for root, the first of
// postgres and nobody that exists.
func serverAccount() (account, error) {
	if os.Geteuid() != 0 {
		return account{name: "the current user"}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.Atoi(u.Uid)
		if err != nil {
			return account{}, fmt.Errorf("user %s: id %q is not a number: %w", name, u.Uid, err)
		}
		gid, err := strconv.Atoi(u.Gid)
		if err != nil {
			return account{}, fmt.Errorf("user %s: group id %q is not a number: %w", name, u.Gid, err)
		}
		return account{name: "user " + name, uid: uid, gid: gid, other: true}, nil
	}
	return account{}, errors.New("running as root, and Postgres refuses to: neither user postgres nor nobody exists; run as an ordinary user")
}

// apply makes cmd run as the account, in its own process group: an interrupt
// typed at the terminal must reach this process only, which then stops
// Postgres last.
func (a account) apply(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if a.other {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(a.uid), Gid: uint32(a.gid)}
	}
}

// give makes the account the owner of a file or folder.
func (a account) give(path string) error {
	if !a.other {
		return nil
	}
	if err := os.Lchown(path, a.uid, a.gid); err != nil {
		return fmt.Errorf("give to %s: %w", a.name, err)
	}
	return nil
}

// owns says whether the account is the owner of a file or folder.
func (a account) owns(info fs.FileInfo) bool {
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	want := os.Geteuid()
	if a.other {
		want = a.uid
	}
	return int(stat.Uid) == want
}
