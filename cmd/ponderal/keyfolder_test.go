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
		if got := play(t, nil, "", "keys", "-rotate", "result", dir); got.code != exitOK {
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

// TestRotationCutShort: a crash after the old key was retired and before the new one was in place leaves a folder that works.
func TestRotationCutShort(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "keys")
	if made := play(t, nil, "", "keys", dir); made.code != exitOK {
		t.Fatal(made.err)
	}
	old, err := os.ReadFile(filepath.Join(dir, logKeyFile))
	if err != nil {
		t.Fatal(err)
	}
	if got := play(t, nil, "", "keys", "-rotate", "log", dir); got.code != exitOK {
		t.Fatal(got.err)
	}
	if err := os.WriteFile(filepath.Join(dir, logKeyFile), old, 0o600); err != nil {
		t.Fatal(err)
	}
	if k, err := readKeys(dir); err != nil || len(k.ring.Keys()) != 2 {
		t.Fatalf("read: %v", err)
	}
	if got := play(t, nil, "", "keys", "-rotate", "log", dir); got.code != exitOK {
		t.Errorf("rotate again: %s", got.err)
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
