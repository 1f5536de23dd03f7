package localpg

import (
	"os/exec"
	"runtime"
)

// packageManager is a program that can install Postgres, and how.
type packageManager struct {
	program string
	command string
}

// packageManagers in the order of preference where a machine has several.
var packageManagers = []packageManager{
	{"brew", "brew install postgresql@17"},
	{"apt-get", "sudo apt-get install -y postgresql"},
	{"dnf", "sudo dnf install -y postgresql-server"},
	{"yum", "sudo yum install -y postgresql-server"},
	{"apk", "sudo apk add postgresql"},
	{"pacman", "sudo pacman -S --noconfirm postgresql"},
	{"zypper", "sudo zypper install -y postgresql-server"},
	{"winget", "winget install PostgreSQL.PostgreSQL.17"},
}

// installAdvice is the one command that installs the programs here.
func installAdvice() string {
	return adviceFor(runtime.GOOS, func(program string) bool {
		_, err := exec.LookPath(program)
		return err == nil
	})
}

func adviceFor(goos string, has func(string) bool) string {
	for _, m := range packageManagers {
		// Homebrew is a guest on Linux: the system's own manager goes first.
		if m.program == "brew" && goos != "darwin" {
			continue
		}
		if has(m.program) {
			return "install them with: " + m.command
		}
	}
	if goos == "darwin" {
		return "install Homebrew, then: brew install postgresql@17"
	}
	if has("brew") {
		return "install them with: brew install postgresql@17"
	}
	return "install the PostgreSQL server programs (initdb, postgres) and put their folder on PATH"
}
