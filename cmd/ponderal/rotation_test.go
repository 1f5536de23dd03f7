package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/seal"
)

// TestResultsOutliveTheirKeys plays a day, rotates both keys, and plays another on the same data: results of both days verify with the key set of
// now. Then the key of the first day is said to be compromised.
func TestResultsOutliveTheirKeys(t *testing.T) {
	keep := filepath.Join(publicDir(t), "kept")
	keys := filepath.Join(keep, "keys")
	if day := play(t, nil, "", "demo", "-exit", "-keep", keep); day.code != exitOK {
		t.Fatalf("status %d:\n%s%s", day.code, day.out, day.err)
	}
	dir := t.TempDir()
	earlier := copyOf(t, filepath.Join(keep, "payer", "result-01.json"), filepath.Join(dir, "earlier.json"))
	keptSet := copyOf(t, filepath.Join(keep, "payer", "keys.json"), filepath.Join(dir, "kept.json"))
	former := mustReadKeys(t, keys)
	for _, use := range []string{"result", "log"} {
		if got := play(t, nil, "", "keys", "rotate", "-use", use, keys); got.code != exitOK {
			t.Fatal(got.err)
		}
	}
	if err := os.Remove(filepath.Join(keep, "played")); err != nil {
		t.Fatal(err)
	}
	// All of the second day holds but its last step, which wants that nothing was altered yet: the two rows that the first day altered are all that the
	// audit check finds, under heads of both log keys.
	day := play(t, nil, "", "demo", "-exit", "-keep", keep, "-seed", "3")
	if day.code != exitFailed || !strings.Contains(day.err, "the audit check finds 2 problems before anything was altered") {
		t.Fatalf("after the rotation: status %d:\n%s%s", day.code, day.out, day.err)
	}
	later := filepath.Join(keep, "payer", "result-01.json")
	now := mustReadKeys(t, keys)
	current := printedSet(t, keys, filepath.Join(dir, "current.json"))
	if v := verdictOf(t, current, earlier, exitOK); v.KeyID != former.result.ID {
		t.Errorf("the earlier result is by key %s, want the former one, %s", v.KeyID, former.result.ID)
	}
	if v := verdictOf(t, current, later, exitOK); v.KeyID != now.result.ID || now.result.ID == former.result.ID {
		t.Errorf("the later result is by key %s, want the new one, %s", v.KeyID, now.result.ID)
	}
	// A payer that kept the set of the first day verifies what it could then, and nothing by keys it has not heard of.
	verdictOf(t, keptSet, earlier, exitOK)
	verdictOf(t, keptSet, later, exitFailed)
	t.Run("compromised", func(t *testing.T) { checkCompromised(t, keys, former, earlier, later) })
}

// checkCompromised marks the former result key a microsecond after the earlier result, then at it; then the log key that signed its head.
func checkCompromised(t *testing.T, keys string, former keyFolder, earlier, later string) {
	text, err := os.ReadFile(earlier)
	if err != nil {
		t.Fatal(err)
	}
	file, err := bundle.Decode(text)
	if err != nil {
		t.Fatal(err)
	}
	r, err := bundle.Verify(former.ring, file, "")
	if err != nil {
		t.Fatal(err)
	}
	last := r.Document.Signature.At.Std()
	if recorded := r.Entry.At.Std(); recorded.After(last) {
		last = recorded
	}
	mark := func(id string, from time.Time) string {
		t.Helper()
		if got := play(t, nil, "", "keys", "compromised", "-id", id, "-from", from.Format(time.RFC3339Nano), keys); got.code != exitOK {
			t.Fatal(got.err)
		}
		return printedSet(t, keys, filepath.Join(t.TempDir(), "marked.json"))
	}
	set := mark(former.result.ID, last.Add(time.Microsecond))
	v := verdictOf(t, set, earlier, exitOK)
	if remark := stepNamed(v, "keys").Remark; !strings.Contains(remark, "The log shows that it is older, not the key") || !strings.Contains(remark, former.result.ID) {
		t.Errorf("a microsecond before the mark: remark %q", remark)
	}
	set = mark(former.result.ID, last)
	v = verdictOf(t, set, earlier, exitFailed)
	if why := stepNamed(v, "keys").Why; !strings.Contains(why, former.result.ID+" is marked compromised from "+seal.FormatMoment(last)) {
		t.Errorf("at the mark: because %q", why)
	}
	if v := verdictOf(t, set, later, exitOK); stepNamed(v, "keys").Remark != "" {
		t.Errorf("the later result has the remark %q", stepNamed(v, "keys").Remark)
	}
	mark(former.log.ID, r.Entry.At.Std().Add(time.Microsecond))
	text, err = os.ReadFile(filepath.Join(keys, retiredFile))
	if err != nil || strings.Contains(string(text), "compromised") {
		t.Errorf("the list of former keys became %s, %v; marks stand in the state file", text, err)
	}
}

func copyOf(t *testing.T, from, to string) string {
	t.Helper()
	text, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, to, string(text), 0o600)
	return to
}

// printedSet writes the folder's key set to a file, as an operator would for payers.
func printedSet(t *testing.T, keys, path string) string {
	t.Helper()
	got := play(t, nil, "", "keys", "-print", keys)
	if got.code != exitOK {
		t.Fatal(got.err)
	}
	writeFile(t, path, got.out, 0o600)
	return path
}

// verdictOf verifies a file by the command and wants an exit status.
func verdictOf(t *testing.T, set, file string, code int) verdict {
	t.Helper()
	got := play(t, nil, "", "verify", "-keys", set, "-json", file)
	var v verdict
	if err := json.Unmarshal([]byte(got.out), &v); err != nil || got.code != code {
		t.Fatalf("verify %s with %s: status %d, want %d; %v\n%s%s", file, set, got.code, code, err, got.out, got.err)
	}
	return v
}

func stepNamed(v verdict, name string) verdictStep {
	if i := slices.IndexFunc(v.Steps, func(s verdictStep) bool { return s.Name == name }); i >= 0 {
		return v.Steps[i]
	}
	return verdictStep{}
}
