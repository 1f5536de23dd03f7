package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/seal"
)

func TestKeysMakesAFolderOnce(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	made := play(t, nil, "", "keys", dir)
	if made.code != exitOK {
		t.Fatalf("status %d: %s", made.code, made.err)
	}
	ring, err := seal.ParseJWKS([]byte(strings.TrimSpace(made.out)))
	if err != nil || len(ring.Keys()) != 2 {
		t.Fatalf("printed %q: %v", made.out, err)
	}
	for _, name := range []string{resultKeyFile, logKeyFile} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, mode %v; want 0600", name, err, info.Mode())
		}
	}
	if again := play(t, nil, "", "keys", dir); again.code != exitFailed || !strings.Contains(again.err, "is there already") {
		t.Errorf("a second time: status %d, %q; want a refusal", again.code, again.err)
	}
	if printed := play(t, nil, "", "keys", "-print", dir); printed.out != made.out {
		t.Errorf("-print gives %q, want what was made", printed.out)
	}
}

func TestRotatedKeyStaysPublished(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	if made := play(t, nil, "", "keys", dir); made.code != exitOK {
		t.Fatal(made.err)
	}
	before, err := readKeys(dir)
	if err != nil {
		t.Fatal(err)
	}
	jws, err := seal.SignJWS(t.Context(), before.result, []byte(`{}`))
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if got := play(t, nil, "", "keys", "rotate", "-use", "result", dir); got.code != exitOK {
			t.Fatal(got.err)
		}
	}
	after, err := readKeys(dir)
	if err != nil {
		t.Fatal(err)
	}
	if after.result.ID == before.result.ID || after.log.ID != before.log.ID || len(after.ring.Keys()) != 4 {
		t.Errorf("after two rotations of the result key: result %s, was %s; log %s, was %s; %d keys published, want 4",
			after.result.ID, before.result.ID, after.log.ID, before.log.ID, len(after.ring.Keys()))
	}
	if _, _, err := seal.VerifyJWS(after.ring, jws); err != nil {
		t.Errorf("what the first key signed no longer verifies: %v", err)
	}
}

// TestRotationCutShort: a crash between any two steps of a rotation leaves a folder that works, with every key in its set, and that can be rotated
// again.
func TestRotationCutShort(t *testing.T) {
	for name, c := range map[string]struct {
		// undone are the files that the crash came before.
		undone []string
		// known says that the former key's retirement has its moment; signs that it still signs.
		known, signs bool
	}{
		"before the new key's place": {[]string{logKeyFile, stateFile}, false, true},
		"before the moment":          {[]string{stateFile}, false, false},
		"not at all":                 {nil, true, false},
	} {
		t.Run(name, func(t *testing.T) {
			dir := newFolder(t)
			former := mustReadKeys(t, dir).log.ID
			before := map[string]string{}
			for _, file := range c.undone {
				text, err := os.ReadFile(filepath.Join(dir, file))
				if err != nil {
					t.Fatal(err)
				}
				before[file] = string(text)
			}
			if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitOK {
				t.Fatal(got.err)
			}
			for file, text := range before {
				writeFile(t, filepath.Join(dir, file), text, 0o600)
			}
			k := mustReadKeys(t, dir)
			key, err := k.ring.Find(former, seal.UseLog)
			if err != nil || key.RetiredAt.IsZero() == c.known || (k.log.ID == former) != c.signs || k.maySign() != nil {
				t.Errorf("the former key is %+v, %v; %s signs, %v", key, err, k.log.ID, k.maySign())
			}
			if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitOK {
				t.Fatalf("rotate again: %s", got.err)
			}
			want := 4
			if c.signs {
				want = 3
			}
			if k := mustReadKeys(t, dir); len(k.ring.Keys()) != want || k.maySign() != nil {
				t.Errorf("%d keys after another rotation, want %d; %v", len(k.ring.Keys()), want, k.maySign())
			}
			// A retirement without its moment is given one by hand.
			if got := play(t, nil, "", "keys", "retire", "-id", former, dir); got.code != exitOK || keyIn(t, got.out, former).RetiredAt.IsZero() {
				t.Errorf("status %d, %s%s", got.code, got.out, got.err)
			}
		})
	}
}

func TestKeysThatOthersMayReadAreRefused(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	if made := play(t, nil, "", "keys", dir); made.code != exitOK {
		t.Fatal(made.err)
	}
	path := filepath.Join(dir, resultKeyFile)
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := readKeys(dir); err == nil || !strings.Contains(err.Error(), "others may read it") {
		t.Errorf("mode 0640: %v, want a refusal", err)
	}
	if err := os.Chmod(path, 0o400); err != nil {
		t.Fatal(err)
	}
	if _, err := readKeys(dir); err != nil {
		t.Errorf("mode 0400: %v, want it read", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	if _, err := readKeys(dir); err == nil || !strings.Contains(err.Error(), "ponderal keys") {
		t.Errorf("no key: %v, want the command that makes one", err)
	}
}
