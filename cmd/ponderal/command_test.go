package main

import (
	"bytes"
	"context"
	"crypto/rand"
	"strings"
	"testing"
	"time"
)

// played is what a run of the program wrote, and its exit status.
type played struct {
	code     int
	out, err string
}

// play runs the program in this process with an environment of its own.
func play(t *testing.T, env map[string]string, stdin string, args ...string) played {
	t.Helper()
	return playIn(t.Context(), env, stdin, args...)
}

func playIn(ctx context.Context, env map[string]string, stdin string, args ...string) played {
	w, out := testWorld(env, stdin)
	var errOut bytes.Buffer
	w.stderr = &errOut
	code := run(ctx, w, args)
	return played{code, out.String(), errOut.String()}
}

// testWorld is a world with an environment of its own; all that is written goes to out.
func testWorld(env map[string]string, stdin string) (w world, out *bytes.Buffer) {
	out = &bytes.Buffer{}
	w = world{stdin: strings.NewReader(stdin), stdout: out, stderr: out, now: time.Now, random: rand.Reader, started: time.Now(),
		lookup: func(name string) (string, bool) { value, ok := env[name]; return value, ok }}
	for name, value := range env {
		w.environ = append(w.environ, name+"="+value)
	}
	return w, out
}

func TestHelpNamesEverySubcommand(t *testing.T) {
	got := play(t, nil, "", "help")
	if got.code != exitOK {
		t.Errorf("status %d, want %d", got.code, exitOK)
	}
	for _, name := range names() {
		if !strings.Contains(got.out, name) && name != "help" {
			t.Errorf("help does not name %s", name)
		}
	}
	if none := play(t, nil, ""); none.code != exitUsage || !strings.Contains(none.err, "ponderal demo") {
		t.Errorf("without a subcommand: status %d and %q, want %d and where to begin", none.code, none.err, exitUsage)
	}
}

func TestEverySubcommandExplainsItself(t *testing.T) {
	for _, c := range commands() {
		for _, args := range [][]string{{c.name, "-h"}, {"help", c.name}} {
			got := play(t, nil, "", args...)
			if got.code != exitOK || got.err != "" {
				t.Errorf("%v: status %d, stderr %q", args, got.code, got.err)
			}
			for _, want := range append([]string{"ponderal " + c.name, "For example:"}, c.examples...) {
				if !strings.Contains(got.out, want) {
					t.Errorf("%v: help lacks %q", args, want)
				}
			}
			for _, line := range strings.Split(got.out, "\n") {
				if len(line) > 125 {
					t.Errorf("%v: a line of %d characters: %s", args, len(line), line)
				}
			}
		}
	}
}

func TestWrongCommandLines(t *testing.T) {
	cases := []struct {
		args []string
		says string
	}{
		{[]string{"dmeo"}, "there is no \"dmeo\"; did you mean \"demo\"?\n`ponderal help` lists"},
		{[]string{"frobnicate"}, "there is no \"frobnicate\"\n`ponderal help` lists"},
		{[]string{"demo", "-kep", "x"}, `there is no flag -kep; did you mean "-keep"?`},
		{[]string{"demo", "-seed", "many"}, "seed"},
		{[]string{"demo", "now"}, `"now" is not understood`},
		{[]string{"verify", "x.json"}, "-keys FILE is required"},
		{[]string{"verify", "-keys", "k"}, "got 0 arguments, want FILE"},
		{[]string{"migrate"}, ownerURLVariable},
		{[]string{"migrate", "-url", "postgres://x/", "sideways"}, `there is no "sideways"`},
		{[]string{"migrate", "-url", "postgres://x/", "down"}, "-erase-all-data"},
		{[]string{"keys", "rotate", "-use", "door", "x"}, "the uses are result and log"},
		{[]string{"keys", "rotate", "x"}, "rotate: -use is required"},
		{[]string{"keys", "prepare", "-use", "door", "x"}, "the uses are result and log"},
		{[]string{"keys", "rotate", "-use", "log", "-print", "x"}, "-print does not go with rotate"},
		{[]string{"keys", "-use", "log", "x"}, "-use does not go without a word"},
		{[]string{"keys", "list", "-id", "a", "x"}, "-id does not go with list"},
		{[]string{"keys", "list"}, "got 0 folders, want one"},
		{[]string{"keys", "list", "x", "y"}, "got 2 folders, want one"},
		{[]string{"keys", "rotat", "-use", "log", "x"}, `there is no "rotat"; did you mean "rotate"?`},
		{[]string{"keys", "retire", "x"}, "retire: -id is required"},
		{[]string{"keys", "compromised", "-id", "a", "x"}, "compromised: -from is required"},
		{[]string{"keys", "compromised", "-id", "a", "-from", "yesterday", "x"}, "want a moment with its zone"},
		{[]string{"keys", "compromised", "-id", "a", "-from", "2026-03-01T00:00:00", "x"}, "want a moment with its zone"},
		{[]string{"keys", "compromised", "-id", "a", "-from", "9999-01-01T00:00:00Z", "x"}, "lies ahead"},
		{[]string{"token", "-label", "x"}, "-role is required"},
		{[]string{"token", "-role", "network_admin"}, "-label is required"},
		{[]string{"token", "-role", "network_admn", "-label", "x"}, `did you mean "network_admin"?`},
		{[]string{"token", "-role", "network_admin", "-label", "x", "-days", "401"}, "from 1 to 400"},
		{[]string{"audit"}, "want check"},
		{[]string{"audit", "chekc"}, `did you mean "check"?`},
		{[]string{"erase", "-client", "x", "-demand", "x", "-asked-by", "x", "-operator", "x"}, "-clinic is required"},
		{[]string{"erase", "-clinic", "x", "-client", "x", "-asked-by", "x", "-operator", "x"}, "-demand is required"},
		{[]string{"erase", "-clinic", "x", "-client", "x", "-demand", "x", "-asked-by", "x", "-operator", "x"}, eraserURLVariable},
		{[]string{"load", "-row", "push-2"}, `did you mean "push-`},
		{[]string{"load", "-sessions", "0"}, "at least 1"},
	}
	for _, c := range cases {
		got := play(t, nil, "", c.args...)
		if got.code != exitUsage || got.out != "" || !strings.Contains(got.err, c.says) {
			t.Errorf("%v: status %d, stdout %q, stderr %q; want %d and %q", c.args, got.code, got.out, got.err, exitUsage, c.says)
		}
	}
}

// TestNearest: distances by hand.
func TestNearest(t *testing.T) {
	cases := []struct {
		a, b string
		want int
	}{{"", "", 0}, {"demo", "demo", 0}, {"dmeo", "demo", 2}, {"kitten", "sitting", 3}, {"", "abc", 3}}
	for _, c := range cases {
		if got := edits(c.a, c.b); got != c.want {
			t.Errorf("edits(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
	}
	if got := nearest("xyzxyz", []string{"demo"}); got != "" {
		t.Errorf("nothing is near, got %q", got)
	}
	if got := nearest("x", []string{"y"}); got != "" {
		t.Errorf("one letter that is all wrong is not near, got %q", got)
	}
}

func TestVersion(t *testing.T) {
	got := play(t, nil, "", "version")
	if got.code != exitOK || !strings.Contains(got.out, "engine rules") || !strings.Contains(got.out, "database schema") {
		t.Errorf("status %d, %q", got.code, got.out)
	}
}
