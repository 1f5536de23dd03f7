package localpg

import (
	"context"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

// programs is one installation of Postgres that this process can run.
type programs struct {
	dir     string // holds both postgres and initdb
	version string // "15.14"
	major   string // "15", as in a cluster's PG_VERSION
}

func (p programs) path(name string) string {
	return filepath.Join(p.dir, exeName(name))
}

// findPrograms lists the installations in dirs (nil: the usual places) that
// acc can run, best first.
func findPrograms(ctx context.Context, dirs []string, acc account) []programs {
	if dirs == nil {
		dirs = usualDirs(ctx)
	}
	var found []programs
	for _, dir := range dirs {
		if slices.ContainsFunc(found, func(p programs) bool { return p.dir == dir }) {
			continue
		}
		if p, ok := probe(ctx, dir, acc); ok {
			found = append(found, p)
		}
	}
	return found
}

// usualDirs are the folders where package managers put the programs: what the
// user put on PATH first, then what pg_config names, then the newest versions.
func usualDirs(ctx context.Context) []string {
	var dirs []string
	if path, err := exec.LookPath("postgres"); err == nil {
		dirs = append(dirs, realDir(path))
	}
	if path, err := exec.LookPath("initdb"); err == nil {
		dirs = append(dirs, realDir(path))
	}
	if out, err := exec.CommandContext(ctx, "pg_config", "--bindir").Output(); err == nil {
		dirs = append(dirs, strings.TrimSpace(string(out)))
	}
	for _, pattern := range []string{
		"/usr/lib/postgresql/*/bin",                // Debian, Ubuntu
		"/usr/pgsql-*/bin",                         // the Postgres project's packages for Fedora and kin
		"/opt/homebrew/opt/postgresql@*/bin",       // Homebrew on Apple silicon
		"/usr/local/opt/postgresql@*/bin",          // Homebrew on Intel
		"/Library/PostgreSQL/*/bin",                // macOS installer
		"/usr/libexec/postgresql*",                 // Alpine
		`C:\Program Files\PostgreSQL\*\bin`,        // Windows installer
		"/opt/homebrew/opt/postgresql/bin",         // Homebrew, unversioned
		"/home/linuxbrew/.linuxbrew/opt/*sql*/bin", // Homebrew on Linux
		"/usr/local/pgsql/bin",                     // built from source
		"/usr/bin",                                 // Fedora, Arch
	} {
		dirs = append(dirs, newestFirst(pattern)...)
	}
	return dirs
}

// realDir is the folder of the program itself: on Debian a link in
// /usr/local/bin may stand for one that is elsewhere, beside the rest.
func realDir(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return filepath.Dir(path)
}

// newestFirst lists the folders that a pattern matches by the first number that
// its first asterisk or what follows stands for.
func newestFirst(pattern string) []string {
	dirs, err := filepath.Glob(pattern)
	if err != nil {
		return nil
	}
	fixed, _, _ := strings.Cut(pattern, "*")
	version := func(dir string) int { return versionIn(strings.TrimPrefix(dir, fixed)) }
	slices.SortStableFunc(dirs, func(a, b string) int { return version(b) - version(a) })
	return dirs
}

// versionIn is the first whole number in a text, 0 where there is none.
func versionIn(text string) int {
	start := strings.IndexAny(text, "0123456789")
	if start < 0 {
		return 0
	}
	end := start
	for end < len(text) && text[end] >= '0' && text[end] <= '9' {
		end++
	}
	n, err := strconv.Atoi(text[start:end])
	if err != nil {
		return 0
	}
	return n
}

// probe runs both programs as acc: a folder counts only if both are there, are
// of one version, and may be run by that account.
func probe(ctx context.Context, dir string, acc account) (programs, bool) {
	p := programs{dir: dir}
	server, ok := versionOf(ctx, p.path("postgres"), acc)
	if !ok {
		return programs{}, false
	}
	maker, ok := versionOf(ctx, p.path("initdb"), acc)
	if !ok || maker != server {
		return programs{}, false
	}
	p.version = server
	p.major, _, _ = strings.Cut(server, ".")
	return p, true
}

// versionOf reads "postgres (PostgreSQL) 15.14 (Debian 15.14-0+deb12u1)".
func versionOf(ctx context.Context, program string, acc account) (string, bool) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "-V")
	cmd.Dir = filepath.VolumeName(program) + string(filepath.Separator)
	acc.apply(cmd)
	out, err := cmd.Output()
	if err != nil {
		return "", false
	}
	_, rest, ok := strings.Cut(string(out), "(PostgreSQL) ")
	if !ok {
		return "", false
	}
	fields := strings.Fields(rest)
	if len(fields) == 0 {
		return "", false
	}
	return fields[0], true
}

func exeName(name string) string {
	if runtime.GOOS == "windows" {
		return name + ".exe"
	}
	return name
}
