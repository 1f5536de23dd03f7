//go:build unix

package localpg

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestMissingProgramsMessage(t *testing.T) {
	t.Parallel()
	o := quick(publicDir(t))
	o.BinDirs = []string{}
	_, err := Start(limited(t), o)
	if !errors.Is(err, ErrNoPostgres) || !strings.Contains(err.Error(), installAdvice()) {
		t.Errorf("Start = %v, want ErrNoPostgres with the command that installs them", err)
	}
	kept := keeping(filepath.Join(publicDir(t), "kept"))
	kept.BinDirs = []string{}
	kept.NoContainer = false
	if _, err := Start(limited(t), kept); !errors.Is(err, ErrNoPostgres) || !strings.Contains(err.Error(), "keeping data") {
		t.Errorf("Start with KeepDir = %v, want ErrNoPostgres: a container keeps nothing", err)
	}
}

func TestAdviceFollowsThePackageManager(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		goos string
		has  string
		want string
	}{
		{"linux", "apt-get", "sudo apt-get install -y postgresql"},
		{"linux", "apt-get brew", "sudo apt-get install -y postgresql"},
		{"linux", "dnf yum", "sudo dnf install -y postgresql-server"},
		{"linux", "apk", "sudo apk add postgresql"},
		{"linux", "brew", "brew install postgresql@17"},
		{"linux", "", "put their folder on PATH"},
		{"darwin", "brew", "brew install postgresql@17"},
		{"darwin", "", "install Homebrew, then: brew install postgresql@17"},
		{"windows", "winget", "winget install PostgreSQL.PostgreSQL.17"},
	} {
		there := strings.Fields(c.has)
		got := adviceFor(c.goos, func(p string) bool {
			for _, h := range there {
				if h == p {
					return true
				}
			}
			return false
		})
		if !strings.HasSuffix(got, c.want) {
			t.Errorf("adviceFor(%s, %q) = %q, want ... %q", c.goos, c.has, got, c.want)
		}
	}
}

// TestBothProgramsMustStandTogether: a folder with the server alone is passed
// over, and taken when initdb is put beside it.
func TestBothProgramsMustStandTogether(t *testing.T) {
	t.Parallel()
	acc, found := accountAndPrograms(t)
	dir := publicDir(t)
	link := func(name string) {
		t.Helper()
		if err := os.Symlink(found[0].path(name), filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	link("postgres")
	if got := findPrograms(limited(t), []string{dir}, acc); len(got) != 0 {
		t.Errorf("programs without initdb: %v, want none", got)
	}
	link("initdb")
	got := findPrograms(limited(t), []string{dir}, acc)
	if len(got) != 1 || got[0].version != found[0].version {
		t.Errorf("programs = %v, want version %s", got, found[0].version)
	}
}

func TestNewestFirst(t *testing.T) {
	t.Parallel()
	dir := publicDir(t)
	for _, v := range []string{"9.6", "15", "17"} {
		if err := os.MkdirAll(filepath.Join(dir, "v"+v, "bin"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	// The test folder's own name has digits too; they do not count.
	got := newestFirst(filepath.Join(dir, "*", "bin"))
	var names []string
	for _, g := range got {
		names = append(names, filepath.Base(filepath.Dir(g)))
	}
	if strings.Join(names, " ") != "v17 v15 v9.6" {
		t.Errorf("order = %v, want v17 v15 v9.6", names)
	}
}

func TestOptionsAreChecked(t *testing.T) {
	t.Parallel()
	good := quick("/tmp")
	for name, c := range map[string]struct {
		change func(*Options)
		want   string // empty: accepted
	}{
		"as they are":        {func(*Options) {}, ""},
		"no randomness":      {func(o *Options) { o.Random = nil }, "Random:"},
		"keep without fsync": {func(o *Options) { o.KeepDir = "/x" }, "NoFsync:"},
		"keep with fsync":    {func(o *Options) { o.KeepDir, o.NoFsync = "/x", false }, ""},
		"keep elsewhere":     {func(o *Options) { o.KeepDir, o.NoFsync, o.URL = "/x", false, "postgres://h/d" }, "KeepDir:"},
		"9 connections":      {func(o *Options) { o.MaxConnections = 9 }, "MaxConnections:"},
		"10 connections":     {func(o *Options) { o.MaxConnections = 10 }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o := good
			c.change(&o)
			_, err := o.withDefaults()
			if c.want == "" && err != nil {
				t.Errorf("refused: %v", err)
			}
			if c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("error = %v, want one that names %s", err, c.want)
			}
		})
	}
}
