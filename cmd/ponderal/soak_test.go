package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ponderal.example/internal/soak"
)

// asCommand makes the test's program be the command itself, so that a test can have it as a process of its own.
const asCommand = "COMMAND_UNDER_TEST"

// soakInTest soaks with this program as the service.
func soakInTest(t *testing.T, s soaking) soakReport {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	w, said := testWorld(nil, "")
	s.world, s.command, s.env = w, []string{exe}, []string{asCommand + "=yes"}
	report, err := s.run(ctx)
	t.Log(said.String())
	if report != nil {
		var text strings.Builder
		if err := report.WriteText(&text); err != nil {
			t.Error(err)
		}
		t.Log(text.String())
	}
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// TestSoakForAMoment is the short form of `ponderal soak`: of this seed, the six gravest faults.
func TestSoakForAMoment(t *testing.T) {
	t.Parallel()
	report, ok := soakInTest(t, soaking{rounds: 6, seed: 5}).(soak.Report)
	if !ok || report.Rounds != 6 || len(report.Faults) != 6 || report.Acknowledged < 30 || report.Unacknowledged == 0 {
		t.Errorf("the soak did too little to show anything: %+v", report)
	}
}

// TestPairFailsOverAndRolls kills the primary of a pair, promotes its standby, and restarts the replicas in turn.
func TestPairFailsOverAndRolls(t *testing.T) {
	t.Parallel()
	report, ok := soakInTest(t, soaking{pair: true, seed: 5}).(soak.PairReport)
	if !ok || report.Acknowledged < 30 || report.FailOverFailures == 0 || report.GapSeconds <= 0 || report.Restarts != 4 {
		t.Errorf("the pair did too little to show anything: %+v", report)
	}
}

// TestServeByClock: the clock is the file's, and a file that says no duration stops the start.
func TestServeByClock(t *testing.T) {
	t.Parallel()
	clock := filepath.Join(t.TempDir(), "clock")
	if err := os.WriteFile(clock, []byte("tomorrow"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := play(t, nil, "", "soak", byClock, clock); got.code != exitFailed || !strings.Contains(got.err, "read the clock") {
		t.Errorf("status %d, %q", got.code, got.err)
	}
	if got := play(t, nil, "", "soak", "-rounds", "0"); got.code != exitUsage {
		t.Errorf("no rounds: status %d, want %d", got.code, exitUsage)
	}
	if got := play(t, nil, "", "soak", "-h"); strings.Contains(got.out, byClock) {
		t.Error("the help of soak names what only its child may use")
	}
	env, _ := configured(t)
	if err := os.WriteFile(clock, []byte("-720h"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	w, _ := testWorld(env, "")
	log := &lockedBuffer{}
	w.stderr = log
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, w, []string{"soak", byClock, clock}) }()
	for deadline := time.Now().Add(20 * time.Second); !strings.Contains(log.String(), `"serving"`); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("it does not serve: " + log.String())
		}
	}
	cancel()
	if code := <-ended; code != exitOK {
		t.Errorf("ended with status %d: %s", code, log.String())
	}
}

func TestSoakReportForPrograms(t *testing.T) {
	var text strings.Builder
	report := soak.Report{Seed: 7, Rounds: 1, Faults: map[string]soak.Fault{"x": {Rounds: 1, LongestGap: 2}}, Problems: []string{"lost"}}
	if err := report.WriteJSON(&text); err != nil {
		t.Fatal(err)
	}
	var back soak.Report
	if err := json.Unmarshal([]byte(text.String()), &back); err != nil || back.Faults["x"].LongestGap != 2 {
		t.Errorf("%v: %s", err, text.String())
	}
	text.Reset()
	if err := report.WriteText(&text); err != nil || !strings.Contains(text.String(), "BROKEN: lost") {
		t.Errorf("%v: %s", err, text.String())
	}
}
