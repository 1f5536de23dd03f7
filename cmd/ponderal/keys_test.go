package main

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/seal"
)

// keyIn is a key of the set that a command printed.
func keyIn(t *testing.T, printed, id string) seal.PublicKey {
	t.Helper()
	ring, err := seal.ParseJWKS([]byte(strings.TrimSpace(printed)))
	if err != nil {
		t.Fatalf("printed %q: %v", printed, err)
	}
	keys := ring.Keys()
	i := slices.IndexFunc(keys, func(k seal.PublicKey) bool { return k.ID == id })
	if i < 0 {
		t.Fatalf("the set has no key %s: %s", id, printed)
	}
	return keys[i]
}

// TestKeysLifeIsListed takes both keys through every state.
func TestKeysLifeIsListed(t *testing.T) {
	began := time.Now().UTC().Truncate(time.Microsecond)
	dir := newFolder(t)
	first := mustReadKeys(t, dir)
	result, log := first.result.ID, first.log.ID
	rotated := play(t, nil, "", "keys", "rotate", "-use", "result", dir)
	if rotated.code != exitOK || !strings.Contains(rotated.err, result+" is retired") {
		t.Fatalf("status %d, %s", rotated.code, rotated.err)
	}
	if k := keyIn(t, rotated.out, result); k.RetiredAt.Before(began) || k.RetiredAt.After(time.Now()) || !k.CompromisedFrom.IsZero() {
		t.Errorf("the former key is published as %+v", k)
	}
	marked := play(t, nil, "", "keys", "-from", "2026-03-01T01:00:00.123456789+01:00", "-id", log, "compromised", dir)
	if marked.code != exitOK || !strings.Contains(marked.err, "log key "+log+" is marked compromised from 2026-03-01T00:00:00.123456Z") ||
		!strings.Contains(marked.err, "ponderal keys rotate -use log "+dir) {
		t.Fatalf("status %d, %s", marked.code, marked.err)
	}
	if k := keyIn(t, marked.out, log); seal.FormatMoment(k.CompromisedFrom) != "2026-03-01T00:00:00.123456Z" || !k.RetiredAt.IsZero() {
		t.Errorf("the marked key is published as %+v", k)
	}
	list := play(t, nil, "", "keys", "list", dir)
	now := mustReadKeys(t, dir)
	want := [][]string{{now.result.ID, "result", "signs"}, {log, "log", "compromised", "2026-03-01T00:00:00.123456Z"}, {result, "result", "retired"}}
	rows := rowsOf(list.out)
	if list.code != exitOK || len(rows) != 3 {
		t.Fatalf("status %d, list:\n%s", list.code, list.out)
	}
	for i, row := range rows {
		if len(row) != 4 || !slices.Equal(row[:3], want[i][:3]) || len(want[i]) == 4 && row[3] != want[i][3] {
			t.Errorf("row %d is %v, want %v", i, row, want[i])
		}
		if at, err := seal.ParseMoment(row[3]); i != 1 && (err != nil || at.Before(began)) {
			t.Errorf("row %d is since %s", i, row[3])
		}
	}
	if printed := play(t, nil, "", "keys", "-print", dir); printed.out != marked.out {
		t.Errorf("-print gives %q, want what the mark printed", printed.out)
	}
}

// TestMarkMovesBackOnly: the moment of a mark can be made earlier by a microsecond, repeated, and never made later; a retirement keeps its moment.
func TestMarkMovesBackOnly(t *testing.T) {
	dir := newFolder(t)
	k := mustReadKeys(t, dir)
	for _, step := range []struct {
		from string
		code int
		is   string
	}{
		{"2026-03-01T00:00:00.000001Z", exitOK, "2026-03-01T00:00:00.000001Z"},
		{"2026-03-01T00:00:00.000001Z", exitOK, "2026-03-01T00:00:00.000001Z"},
		{"2026-03-01T00:00:00.000002Z", exitFailed, "2026-03-01T00:00:00.000001Z"},
		{"2026-03-01T00:00:00Z", exitOK, "2026-03-01T00:00:00Z"},
	} {
		got := play(t, nil, "", "keys", "compromised", "-id", k.result.ID, "-from", step.from, dir)
		if got.code != step.code || got.code == exitFailed && !strings.Contains(got.err, "to an earlier one only") {
			t.Errorf("from %s: status %d, %s", step.from, got.code, got.err)
		}
		if is := keyIn(t, play(t, nil, "", "keys", "-print", dir).out, k.result.ID); seal.FormatMoment(is.CompromisedFrom) != step.is {
			t.Errorf("from %s: marked from %s, want %s", step.from, is.CompromisedFrom, step.is)
		}
	}
	once := play(t, nil, "", "keys", "retire", "-id", k.log.ID, dir)
	twice := play(t, nil, "", "keys", "retire", "-id", k.log.ID, dir)
	if once.code != exitOK || twice.code != exitOK || once.out != twice.out || keyIn(t, once.out, k.log.ID).RetiredAt.IsZero() {
		t.Errorf("retired once: %d %s%s, twice: %d %s%s", once.code, once.out, once.err, twice.code, twice.out, twice.err)
	}
	if got := play(t, nil, "", "keys", "retire", "-id", "nobody", dir); got.code != exitFailed || !strings.Contains(got.err, "ponderal keys list") {
		t.Errorf("a key that is not there: status %d, %s", got.code, got.err)
	}
}

// TestKeysOutOfUseDoNotSign: what a service is started with refuses a folder whose key in use is retired or compromised, says what to do, and
// takes the folder once that is done.
func TestKeysOutOfUseDoNotSign(t *testing.T) {
	for _, use := range []seal.Use{seal.UseResult, seal.UseLog} {
		for word, want := range map[string]error{"retire": seal.ErrRetired, "compromised": seal.ErrCompromised} {
			dir := newFolder(t)
			k := mustReadKeys(t, dir)
			id := k.current(use).ID
			args := []string{"keys", word, "-id", id}
			if word == "compromised" {
				args = append(args, "-from", "2026-03-01T00:00:00Z")
			}
			if got := play(t, nil, "", append(args, dir)...); got.code != exitOK || !strings.Contains(got.err, "The service does not start") {
				t.Fatalf("%v: status %d, %s", args, got.code, got.err)
			}
			hint := "ponderal keys rotate -use " + string(use) + " " + dir
			if err := mustReadKeys(t, dir).maySign(); !errors.Is(err, want) || !strings.Contains(err.Error(), hint) || !strings.Contains(err.Error(), id) {
				t.Errorf("%v: %v, want %v with %q", args, err, want, hint)
			}
			if got := play(t, nil, "", "keys", "rotate", "-use", string(use), dir); got.code != exitOK {
				t.Fatal(got.err)
			}
			if err := mustReadKeys(t, dir).maySign(); err != nil {
				t.Errorf("%v, then rotated: %v", args, err)
			}
		}
	}
}

// TestPreparedKeyFollows: a prepared key is published before it signs, so that a replica with the folder of before the rotation knows it, and is the one
// that the rotation puts in place. One that is out of use by then does not follow and stays published with its mark.
func TestPreparedKeyFollows(t *testing.T) {
	for _, use := range []seal.Use{seal.UseResult, seal.UseLog} {
		dir := newFolder(t)
		first := mustReadKeys(t, dir)
		prepared := play(t, nil, "", "keys", "prepare", "-use", string(use), dir)
		again := play(t, nil, "", "keys", "prepare", "-use", string(use), dir)
		replica := mustReadKeys(t, dir)
		next, ok := replica.next[use]
		if prepared.code != exitOK || again.code != exitOK || prepared.out != again.out || !ok || len(replica.next) != 1 {
			t.Fatalf("%s: prepared %d %s, again %d %s; next %v", use, prepared.code, prepared.err, again.code, again.err, replica.next)
		}
		if k := keyIn(t, prepared.out, next.ID); k.Use != use || k.MaySign() != nil || replica.current(use).ID != first.current(use).ID {
			t.Errorf("%s: published as %+v; %s signs, was %s", use, k, replica.current(use).ID, first.current(use).ID)
		}
		if rows := rowsOf(play(t, nil, "", "keys", "list", dir).out); len(rows) != 3 || rows[2][0] != next.ID || rows[2][2] != "next" || rows[2][3] == "unknown" {
			t.Errorf("%s: listed as %v", use, rows)
		}
		if got := play(t, nil, "", "keys", "rotate", "-use", string(use), dir); got.code != exitOK {
			t.Fatal(got.err)
		}
		after := mustReadKeys(t, dir)
		if after.current(use).ID != next.ID || len(after.next) != 0 || len(after.ring.Keys()) != 3 {
			t.Errorf("%s: %s signs, want %s; next %v, %d keys", use, after.current(use).ID, next.ID, after.next, len(after.ring.Keys()))
		}
		if _, err := replica.ring.Find(after.current(use).ID, use); err != nil {
			t.Errorf("%s: a replica of before does not know the key: %v", use, err)
		}
		checkUnfitDoesNotFollow(t, dir, use)
	}
}

func checkUnfitDoesNotFollow(t *testing.T, dir string, use seal.Use) {
	t.Helper()
	if got := play(t, nil, "", "keys", "prepare", "-use", string(use), dir); got.code != exitOK {
		t.Fatal(got.err)
	}
	unfit := mustReadKeys(t, dir).next[use].ID
	if got := play(t, nil, "", "keys", "compromised", "-id", unfit, "-from", "2026-03-01T00:00:00Z", dir); got.code != exitOK || strings.Contains(got.err, "does not start") {
		t.Fatalf("status %d, %s", got.code, got.err)
	}
	rotated := play(t, nil, "", "keys", "rotate", "-use", string(use), dir)
	k := mustReadKeys(t, dir)
	if rotated.code != exitOK || k.current(use).ID == unfit || len(k.next) != 0 || k.maySign() != nil {
		t.Errorf("%s: status %d; %s signs, next %v, %v", use, rotated.code, k.current(use).ID, k.next, k.maySign())
	}
	if mark := keyIn(t, rotated.out, unfit).CompromisedFrom; mark.IsZero() {
		t.Errorf("%s: the unfit key lost its mark", use)
	}
}

// TestOneChangeAtATime: two changes at once could lose a public key.
func TestOneChangeAtATime(t *testing.T) {
	dir := newFolder(t)
	lock := filepath.Join(dir, lockFile)
	writeFile(t, lock, "", 0o600)
	before := play(t, nil, "", "keys", "-print", dir).out
	if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitFailed || !strings.Contains(got.err, "remove "+lock) {
		t.Errorf("status %d, %s", got.code, got.err)
	}
	if after := play(t, nil, "", "keys", "-print", dir).out; after != before {
		t.Errorf("the key set became %s", after)
	}
	if err := os.Remove(lock); err != nil {
		t.Fatal(err)
	}
	if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitOK {
		t.Error(got.err)
	}
	if _, err := os.Stat(lock); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the lock stays: %v", err)
	}
}

// TestFolderIsNotMadeOver what is left of another.
func TestFolderIsNotMadeOver(t *testing.T) {
	for _, name := range []string{resultKeyFile, logKeyFile, nextResultFile, nextLogFile, retiredFile, stateFile} {
		dir := t.TempDir()
		writeFile(t, filepath.Join(dir, name), "{}", 0o600)
		if got := play(t, nil, "", "keys", dir); got.code != exitFailed || !strings.Contains(got.err, name+" is there already") {
			t.Errorf("%s: status %d, %s", name, got.code, got.err)
		}
		if names, err := os.ReadDir(dir); err != nil || len(names) != 1 {
			t.Errorf("%s: left with %v, %v", name, names, err)
		}
	}
}

// TestServeRefusesKeysOutOfUse: neither serving nor making a token starts with a compromised key; with the next key both do.
func TestServeRefusesKeysOutOfUse(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	dir := env["PONDERAL_KEYS_FOLDER"]
	id := mustReadKeys(t, dir).result.ID
	if got := play(t, nil, "", "keys", "compromised", "-id", id, "-from", "2026-03-01T00:00:00Z", dir); got.code != exitOK {
		t.Fatal(got.err)
	}
	token := []string{"token", "-role", "network_admin", "-label", "first administrator"}
	for _, args := range [][]string{{"serve"}, token} {
		if got := play(t, env, "", args...); got.code != exitFailed || !strings.Contains(got.err, id) || !strings.Contains(got.err, "ponderal keys rotate -use result "+dir) {
			t.Errorf("%s: status %d, %s", args[0], got.code, got.err)
		}
	}
	if got := play(t, nil, "", "keys", "rotate", "-use", "result", dir); got.code != exitOK {
		t.Fatal(got.err)
	}
	if got := play(t, env, "", token...); got.code != exitOK {
		t.Errorf("token after the rotation: status %d, %s", got.code, got.err)
	}
	base, stop := serveInTest(t, env)
	if got := getStatus(t, base+"/readyz", ""); got != 200 {
		t.Errorf("readiness after the rotation: HTTP %d, want 200", got)
	}
	if code := stop(); code != exitOK {
		t.Errorf("serve ended with status %d", code)
	}
}
