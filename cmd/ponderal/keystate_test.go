package main

import (
	"bytes"
	"crypto/rand"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// newFolder makes a keys folder by the command.
func newFolder(t *testing.T) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "keys")
	if made := play(t, nil, "", "keys", dir); made.code != exitOK {
		t.Fatal(made.err)
	}
	return dir
}

func mustReadKeys(t *testing.T, dir string) keyFolder {
	t.Helper()
	k, err := readKeys(dir)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// TestFolderOfBefore: a folder made before there was a state file, with a key that was retired then, gives the key set that it gave: no marks.
func TestFolderOfBefore(t *testing.T) {
	dir := t.TempDir()
	var public []seal.PublicKey
	for _, use := range []seal.Use{seal.UseResult, seal.UseLog, seal.UseResult} {
		key, err := seal.GenerateKey(rand.Reader, use)
		if err != nil {
			t.Fatal(err)
		}
		text, err := seal.EncodeKeyPEM(key)
		if err != nil {
			t.Fatal(err)
		}
		if len(public) < 2 {
			writeFile(t, filepath.Join(dir, string(use)+".pem"), string(text), 0o600)
		}
		public = append(public, key.Public())
	}
	writeFile(t, filepath.Join(dir, retiredFile), keySet(t, public[2]), 0o644)
	k := mustReadKeys(t, dir)
	got, err := k.ring.JWKS()
	if want := keySet(t, public...); err != nil || string(got) != want {
		t.Errorf("key set %s, %v, want %s", got, err, want)
	}
	if err := k.maySign(); err != nil {
		t.Errorf("its keys may not sign: %v", err)
	}
	list := play(t, nil, "", "keys", "list", dir)
	if rows := rowsOf(list.out); list.code != exitOK || len(rows) != 3 || rows[0][2] != "signs" || rows[0][3] != "unknown" || rows[2][2] != "retired" || rows[2][3] != "unknown" {
		t.Errorf("status %d, list:\n%s%s", list.code, list.out, list.err)
	}
	// It can be changed like any other; then the state file is there.
	if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitOK {
		t.Fatal(got.err)
	}
	if info, err := os.Stat(filepath.Join(dir, stateFile)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("state file: %v, %v", info, err)
	}
}

func keySet(t *testing.T, keys ...seal.PublicKey) string {
	t.Helper()
	ring, err := seal.NewRing(keys...)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := ring.JWKS()
	if err != nil {
		t.Fatal(err)
	}
	return string(doc)
}

func writeFile(t *testing.T, path, text string, mode os.FileMode) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), mode); err != nil {
		t.Fatal(err)
	}
}

// rowsOf are the fields of the lines of a list, without its title.
func rowsOf(list string) [][]string {
	var rows [][]string
	for _, line := range strings.Split(strings.TrimSpace(list), "\n")[1:] {
		rows = append(rows, strings.Fields(line))
	}
	return rows
}

func TestKeyStateIsStrict(t *testing.T) {
	const id = "7HJgrKuR9dhEmRT8WqZE-7qbYg2Xctt40WB43hrVZXY"
	for name, tt := range map[string]struct {
		text string
		ok   bool
	}{
		"all members":         {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","since":"2026-01-01T00:00:00Z","retired_at":"2026-02-01T00:00:00.5Z","compromised_from":"2026-01-15T00:00:00.000001Z"}]}`, true},
		"spaced, other order": {"{\n \"keys\": [ {\"since\": \"2026-01-01T00:00:00Z\", \"id\": \"" + id + "\"} ],\n \"format\": \"ponderal-keys-1\" }\n", true},
		"no keys":             {`{"format":"ponderal-keys-1","keys":[]}`, true},
		"empty":               {``, false},
		"null keys":           {`{"format":"ponderal-keys-1","keys":null}`, false},
		"keys missing":        {`{"format":"ponderal-keys-1"}`, false},
		"another format":      {`{"format":"ponderal-keys-2","keys":[]}`, false},
		"unknown member":      {`{"format":"ponderal-keys-1","keys":[],"note":""}`, false},
		"unknown mark":        {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","compromised":true}]}`, false},
		"mark in capitals":    {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","Compromised_From":"2026-01-15T00:00:00Z"}]}`, false},
		"mark twice":          {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","retired_at":"2026-01-15T00:00:00Z","retired_at":"2026-01-16T00:00:00Z"}]}`, false},
		"null mark":           {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","compromised_from":null}]}`, false},
		"a day":               {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","compromised_from":"2026-01-15"}]}`, false},
		"with an offset":      {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","compromised_from":"2026-01-15T00:00:00+01:00"}]}`, false},
		"no time at all":      {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `","compromised_from":"0001-01-01T00:00:00Z"}]}`, false},
		"no id":               {`{"format":"ponderal-keys-1","keys":[{"retired_at":"2026-01-15T00:00:00Z"}]}`, false},
		"a key twice":         {`{"format":"ponderal-keys-1","keys":[{"id":"` + id + `"},{"id":"` + id + `"}]}`, false},
		"text after the end":  {`{"format":"ponderal-keys-1","keys":[]}{}`, false},
	} {
		s, err := parseKeyState([]byte(tt.text))
		if (err == nil) != tt.ok {
			t.Errorf("%s: %v", name, err)
		}
		if err == nil && len(s.Keys) == 1 && s.of(id).Since != record.TimeOf(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)) {
			t.Errorf("%s: read as %+v", name, s)
		}
	}
}

// TestBadStateStopsTheFolder: a mark that went unread would make good what is not.
func TestBadStateStopsTheFolder(t *testing.T) {
	for name, tt := range map[string]struct {
		spoil func(t *testing.T, path string)
		says  string
	}{
		"cut short": {func(t *testing.T, path string) { writeFile(t, path, `{"format":"ponderal-keys-1","ke`, 0o600) }, "not a key state"},
		"others may write": {func(t *testing.T, path string) {
			if err := os.Chmod(path, 0o620); err != nil {
				t.Fatal(err)
			}
		}, "chmod 600"},
		"a key that is nowhere": {func(t *testing.T, path string) {
			writeFile(t, path, `{"format":"ponderal-keys-1","keys":[{"id":"7HJgrKuR9dhEmRT8WqZE-7qbYg2Xctt40WB43hrVZXY"}]}`, 0o600)
		}, "which is in no other file"},
	} {
		dir := newFolder(t)
		path := filepath.Join(dir, stateFile)
		tt.spoil(t, path)
		if _, err := readKeys(dir); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v, want %q", name, err, tt.says)
		}
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := play(t, nil, "", "keys", "rotate", "-use", "log", dir); got.code != exitFailed {
			t.Errorf("%s: rotated with status %d", name, got.code)
		}
		if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
			t.Errorf("%s: the state became %s, %v", name, after, err)
		}
	}
}

// TestReplacedWholeOrNot: a file that cannot be put in place leaves the former one, and nothing beside it.
func TestReplacedWholeOrNot(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	for _, text := range []string{"one", "two"} {
		if err := replaceFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != text {
			t.Errorf("read %q, %v, want %q", got, err, text)
		}
	}
	// A folder that is not empty cannot be replaced by a file.
	occupied := filepath.Join(dir, "b")
	if err := os.MkdirAll(filepath.Join(occupied, "c"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(occupied, []byte("three"), 0o600); err == nil {
		t.Error("a folder was replaced")
	}
	if names, err := os.ReadDir(dir); err != nil || len(names) != 2 {
		t.Errorf("left behind: %v, %v", names, err)
	}
}

func FuzzParseKeyState(f *testing.F) {
	f.Add([]byte(`{"format":"ponderal-keys-1","keys":[{"id":"a","since":"2026-01-01T00:00:00Z","retired_at":"2026-02-01T00:00:00.5Z"}]}`))
	f.Add([]byte(`{"format":"ponderal-keys-1","keys":[{"id":"a","compromised_from":"2026-02-01T00:00:00Z"},{"id":"b"}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := parseKeyState(text)
		if err != nil {
			return
		}
		again, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parseKeyState(again); err != nil {
			t.Fatalf("%q is written as %q, which is refused", text, again)
		}
	})
}
