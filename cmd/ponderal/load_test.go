package main

import (
	"encoding/json"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/load"
)

func TestLoadFlags(t *testing.T) {
	read := func(args ...string) (loadFlags, error) { return readLoadFlags(newFlags(loadCommand()).from(args)) }
	got, err := read()
	if err != nil || got.sizes != usualSizes || got.rows != nil {
		t.Errorf("no flags: got %+v, error %v", got, err)
	}
	got, err = read("-quick", "-sessions", "7", "-row", "push-1, ready", "-json")
	want := quickSizes
	want.sessions = 7
	if err != nil || got.sizes != want || strings.Join(got.rows, ",") != "push-1,ready" || !got.asJSON {
		t.Errorf("-quick with a number: got %+v, error %v", got, err)
	}
	for _, args := range [][]string{{"-sessions", "-1"}, {"-row", "push"}, {"-row", "push-1,"}, {"-trials", "-5"}, {"more"}} {
		if _, err := read(args...); err == nil {
			t.Errorf("%q: got no error", args)
		}
	}
	if _, err := read("-row", "push-61"); err == nil || !strings.Contains(err.Error(), "there are ready, push-16") {
		t.Errorf("a row that is not there: got %v, want the list", err)
	}
}

func TestLoadListsRows(t *testing.T) {
	got := play(t, nil, "", "load", "-row", "help")
	if got.code != exitOK {
		t.Fatalf("exit status %d: %s", got.code, got.err)
	}
	for _, row := range load.Names() {
		if !strings.Contains(got.out, row[0]) {
			t.Errorf("the list lacks %s:\n%s", row[0], got.out)
		}
	}
}

// The figures of a run this small say nothing; that every part of the cheap rows works together does.
func TestLoadMeasures(t *testing.T) {
	exe := filepath.Join(t.TempDir(), "ponderal")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", exe, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	cmd := exec.CommandContext(t.Context(), exe, "load", "-quick", "-json", "-row", "ready,push-1,rest-16,memory,pull", "-sessions", "9", "-clinics", "1", "-starts", "1")
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("load: %v: %s", err, stderr.String())
	}
	var report load.Report
	if err := json.Unmarshal(out, &report); err != nil {
		t.Fatalf("read the report: %v: %s", err, out)
	}
	if len(report.Rows) != 5 || !strings.Contains(report.Postgres, "fsync on") {
		t.Fatalf("got %d rows on %s, want 5 with fsync on", len(report.Rows), report.Postgres)
	}
	for _, row := range report.Rows {
		if row.Value <= 0 || row.Aim <= 0 {
			t.Errorf("%s: got %v against %v", row.Name, row.Value, row.Aim)
		}
		if row.Service != nil && (row.Service.P50 <= 0 || row.Limit.P50 <= 0 || row.Service.P99 < row.Service.P50) {
			t.Errorf("%s: latencies %+v and %+v", row.Name, row.Service, row.Limit)
		}
	}
}
