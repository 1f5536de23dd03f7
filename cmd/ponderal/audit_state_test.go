package main

import (
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/auditcheck"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/pgtest"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/store"
)

// auditWorld is a network whose log has a few entries, with what the check needs.
type auditWorld struct {
	env     map[string]string
	options auditcheck.Options
	logKey  seal.Key
	edge    merkle.Edge
}

func newAuditWorld(t *testing.T) auditWorld {
	t.Helper()
	env, db := configured(t)
	for _, label := range []string{"first administrator", "second administrator", "third administrator"} {
		if token := play(t, env, "", "token", "-role", "network_admin", "-label", label); token.code != exitOK {
			t.Fatal(token.err)
		}
	}
	w := auditWorld{env: env, options: openForAudit(t, env, db)}
	keys, err := readKeys(env["PONDERAL_KEYS_FOLDER"])
	if err != nil {
		t.Fatal(err)
	}
	w.logKey, w.options.Ring = keys.log, keys.ring
	err = w.options.Store.ReadClinic(t.Context(), record.NetworkClinic, func(tx *store.Tx) error {
		size, edge, err := tx.Head(t.Context())
		if err != nil {
			return err
		}
		w.edge, err = merkle.ParseEdge(size, edge)
		return err
	})
	if err != nil || w.edge.Size() < 3 {
		t.Fatalf("head of %d entries, %v", w.edge.Size(), err)
	}
	return w
}

func openForAudit(t *testing.T, env map[string]string, db *pgtest.DB) auditcheck.Options {
	t.Helper()
	st, err := store.Open(t.Context(), store.Options{URL: db.ServiceURL, MaxConns: 2})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(st.Close)
	return auditcheck.Options{Store: st, LogName: env["PONDERAL_LOG_NAME"]}
}

// note signs a checkpoint of the network's log, with the real key.
func (w auditWorld) note(t *testing.T, size int64, root merkle.Hash) string {
	t.Helper()
	note, err := seal.SignCheckpoint(t.Context(), w.logKey, w.options.LogName+"/"+record.NetworkClinic, size, root)
	if err != nil {
		t.Fatal(err)
	}
	return note
}

func keepFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "kept")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestAuditCheckWithCheckpointsFromOutside takes signed notes and signed results, and finds a log that was cut or forked by either.
func TestAuditCheckWithCheckpointsFromOutside(t *testing.T) {
	t.Parallel()
	w := newAuditWorld(t)
	size, root := w.edge.Size(), w.edge.Root()
	good, longer := w.note(t, size, root), w.note(t, size+4, root)
	root[0] ^= 1
	forked := w.note(t, size, root)
	bundled := func(note string) string {
		doc, err := bundle.Encode(bundle.Bundle{JWS: "a.b.c", Entry: []byte(`{}`), Salt: make([]byte, 32), Checkpoint: note})
		if err != nil {
			t.Fatal(err)
		}
		return string(doc)
	}
	for _, c := range []struct {
		name, file, says string
		code             int
	}{
		{"a note", good, "Everything stored is", exitOK},
		{"a note as an answer has it", `{"checkpoint":` + quoted(t, good) + `,"size":"9"}`, "Everything stored is", exitOK},
		{"a note with an empty line more", good + "\n", "Everything stored is", exitOK},
		{"a note without its last line end", strings.TrimSuffix(good, "\n"), "Everything stored is", exitOK},
		{"two notes in a file", good + longer, "does not verify", exitFailed},
		{"a note with two origins", strings.SplitAfterN(good, "\n", 2)[0] + good, "does not verify", exitFailed},
		{"a note without its signature", strings.SplitAfter(good, "\n\n")[0], "it is not one checkpoint", exitFailed},
		{"a result", bundled(good), "Everything stored is", exitOK},
		{"a note of a longer log", longer, "the log was cut", exitFailed},
		{"a result of a longer log", bundled(longer), "the log was cut", exitFailed},
		{"a page of results", `{"items":[` + bundled(good) + `,` + bundled(forked) + `]}`, "are not those that are stored", exitFailed},
		{"a note of a fork", forked, "are not those that are stored", exitFailed},
	} {
		for _, flag := range []string{"-checkpoint", "-known"} {
			got := play(t, w.env, "", "audit", "check", flag, keepFile(t, c.file))
			if got.code != c.code || !strings.Contains(got.out, c.says) {
				t.Errorf("%s with %s: status %d, %s%s", c.name, flag, got.code, got.out, got.err)
			}
		}
	}
	if got := play(t, w.env, "", "audit", "check", "-checkpoint", keepFile(t, `{"items":[]}`)); got.code != exitFailed || !strings.Contains(got.err, "holds no result") {
		t.Errorf("an empty page: status %d, %s", got.code, got.err)
	}
}

// TestAuditCheckGoesOn interrupts a check, goes on with its state, and refuses states that do not fit.
func TestAuditCheckGoesOn(t *testing.T) {
	t.Parallel()
	w := newAuditWorld(t)
	path := filepath.Join(t.TempDir(), "check.state")
	ctx, cancel := context.WithCancel(t.Context())
	o := w.options
	o.Progress = func(p auditcheck.Progress) {
		if p.Entries == p.Total {
			cancel()
		}
	}
	tw, _ := testWorld(w.env, "")
	if _, err := auditWithState(ctx, tw, path, o); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v, want the interruption", err)
	}
	left, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var state auditState
	if err := json.Unmarshal(left, &state); err != nil || len(state.Marks) != 1 || state.Marks[0].Size != w.edge.Size() {
		t.Fatalf("state %s, %v", left, err)
	}
	for name, bad := range map[string]string{
		"other log":  strings.Replace(string(left), "audit.clinic", "other.clinic", 1),
		"no state":   `{"format":"something else"}`,
		"other tree": strings.Replace(string(left), `"edge":"`+firstBase64(t, state)[:4], `"edge":"`+turned(firstBase64(t, state)[:4]), 1),
		"not JSON":   "1 2 3",
	} {
		file := keepFile(t, bad)
		if got := play(t, w.env, "", "audit", "check", "-state", file); got.code != exitUsage || !strings.Contains(got.err, "-state") {
			t.Errorf("%s: status %d, %s%s", name, got.code, got.out, got.err)
		}
		if kept, err := os.ReadFile(file); err != nil || string(kept) != bad {
			t.Errorf("%s: a state that was refused is now %q, %v", name, kept, err)
		}
	}
	got := play(t, w.env, "", "audit", "check", "-state", path)
	if got.code != exitOK || !strings.HasPrefix(got.out, "Went on after ") {
		t.Errorf("going on: status %d, %s%s", got.code, got.out, got.err)
	}
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the state is left behind: %v", err)
	}
	if got := play(t, w.env, "", "audit", "check", "-state", path); got.code != exitOK || strings.Contains(got.out, "Went on") {
		t.Errorf("from the start: status %d, %s%s", got.code, got.out, got.err)
	}
}

// firstBase64 is how the state file spells the edge of its first mark.
func firstBase64(t *testing.T, s auditState) string {
	t.Helper()
	text, err := json.Marshal(s.Marks[0].Edge)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Trim(string(text), `"`)
}

// turned is other base64 text of the same length.
func turned(text string) string {
	if text[0] == 'A' {
		return "B" + text[1:]
	}
	return "A" + text[1:]
}
