package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"ponderal.example/internal/demo"
	"ponderal.example/internal/pgtest"
)

func TestMain(m *testing.M) {
	// A subcommand that starts this very program again must not start the tests again.
	if os.Getenv(asCommand) != "" || len(os.Args) > 1 && !strings.HasPrefix(os.Args[1], "-test.") {
		main()
	}
	pgtest.Main(m)
}

// publicDir is a temporary folder that the user who runs Postgres can reach, for a test as root.
func publicDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "ponderal-cmd-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestDemo plays the day once on a private Postgres, and then does what a newcomer does with what it leaves.
func TestDemo(t *testing.T) {
	keep := filepath.Join(publicDir(t), "kept")
	first := play(t, nil, "", "demo", "-exit", "-keep", keep)
	if first.code != exitOK {
		t.Fatalf("status %d:\n%s%s", first.code, first.out, first.err)
	}
	t.Run("story", func(t *testing.T) { checkStory(t, first.out) })
	t.Run("verify", func(t *testing.T) { checkVerify(t, filepath.Join(keep, "payer")) })
	t.Run("log without bodies", func(t *testing.T) { checkLog(t, filepath.Join(keep, "service.log")) })
	t.Run("served again", func(t *testing.T) {
		again := play(t, nil, "", "demo", "-exit", "-keep", keep)
		if again.code != exitOK || !strings.Contains(again.out, "played before") || !strings.Contains(again.out, "pdl_") {
			t.Errorf("status %d, %q", again.code, again.out+again.err)
		}
	})
	// The sessions are there already, so the claim that they are stored now cannot hold.
	t.Run("failing step", func(t *testing.T) {
		if err := os.Remove(filepath.Join(keep, "played")); err != nil {
			t.Fatal(err)
		}
		failed := play(t, nil, "", "demo", "-exit", "-keep", keep)
		if failed.code != exitFailed || !strings.Contains(failed.out, "This step FAILED") || !strings.Contains(failed.err, "ponderal demo: step ") {
			t.Errorf("status %d, stderr %q, stdout:\n%s", failed.code, failed.err, failed.out)
		}
	})
}

// checkStory wants each chapter's key lines, in order, and lines that fit a terminal.
func checkStory(t *testing.T, out string) {
	// Where lines are wrapped does not matter.
	rest := strings.Join(strings.Fields(out), " ")
	for _, want := range []string{
		"a private Postgres", "1. The network is set up", "Saltmarsh Lane Clinic (invented) kg",
		"Stored 24 sessions with 144 series", "already stored at revision 1", "ABORTED (SESSION_CONFLICT)", "session.series[1].trials[2].heart_rate_bpm:",
		"INVALID_ARGUMENT (INVALID_REQUEST)", "session.series[3].trials:", "has 8 sessions, as before",
		"frequent", "limited by", "recommendation", "Local codes and licensed practice come first",
		"first signed result", "pulls 22 results in 3 pages over REST", "checks held", "13 of 13", "10, 3 withheld", "has authorized no release", `the check "signature" fails`,
		"accepted, now failed", "readable as it was signed", "item 23 is the new result",
		"corrected series", "sustainable yes -> no", "Reason:", "proof holds",
		"all as they were written", "audit entry", "trial ", "Both are named", "Try it", "PAYER=", "curl -s", "grpcurl -plaintext", "ponderal verify -keys",
	} {
		at := strings.Index(rest, want)
		if at < 0 {
			t.Fatalf("%q does not come after the one before it in:\n%s", want, out)
		}
		rest = rest[at+len(want):]
	}
	story, _, _ := strings.Cut(out, "Try it")
	for _, line := range strings.Split(story, "\n") {
		words := strings.Fields(line)
		if len(words) > 1 && utf8.RuneCountInString(line) > 100 {
			t.Errorf("a line of %d columns: %s", utf8.RuneCountInString(line), line)
		}
	}
	if strings.Contains(out, "\x1b") || strings.Contains(out, "\r") {
		t.Error("control characters are written to what is no terminal")
	}
}

// checkVerify verifies what the payer kept: a good file, altered ones, other keys, none.
func checkVerify(t *testing.T, payer string) {
	keys, file := filepath.Join(payer, "keys.json"), filepath.Join(payer, "result-01.json")
	good := play(t, nil, "", "verify", "-keys", keys, file)
	if good.code != exitOK || !strings.HasPrefix(good.out, "VERIFIED") || good.err != "" {
		t.Fatalf("good: status %d, %s%s", good.code, good.out, good.err)
	}
	if log := play(t, nil, "", "verify", "-keys", keys, "-log", demoLogName, file); log.code != exitOK {
		t.Errorf("the right log name: %s", log.out)
	}
	if log := play(t, nil, "", "verify", "-keys", keys, "-log", "other.example", file); log.code != exitFailed || !strings.HasPrefix(log.out, "NOT VERIFIED") {
		t.Errorf("another log name: status %d, %s", log.code, log.out)
	}
	doc, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	asJSON := play(t, nil, string(doc), "verify", "-keys", keys, "-json", "-")
	var v verdict
	if err := json.Unmarshal([]byte(asJSON.out), &v); err != nil || !v.Verified || v.Result == "" || v.Entry == nil || len(v.Steps) == 0 || asJSON.code != exitOK {
		t.Errorf("-json: status %d, %v, %s", asJSON.code, err, asJSON.out)
	}
	checkAltered(t, keys, doc)
	checkPage(t, keys, doc)
	checkReduced(t, keys, doc)
	none := play(t, nil, "", "verify", "-keys", filepath.Join(payer, "nokeys.json"), file)
	if none.code != exitFailed || !strings.Contains(none.err, "read key set") {
		t.Errorf("no keys: status %d, %s", none.code, none.err)
	}
	made := play(t, nil, "", "keys", filepath.Join(t.TempDir(), "other"))
	other := filepath.Join(t.TempDir(), "other.json")
	if err := os.WriteFile(other, []byte(made.out), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := play(t, nil, "", "verify", "-keys", other, file); got.code != exitFailed || !strings.HasPrefix(got.out, "NOT VERIFIED") {
		t.Errorf("other keys: status %d, %s", got.code, got.out)
	}
}

func checkAltered(t *testing.T, keys string, doc []byte) {
	var fields map[string]any
	if err := json.Unmarshal(doc, &fields); err != nil {
		t.Fatal(err)
	}
	jws, ok := fields["jws"].(string)
	if !ok {
		t.Fatal("the file has no jws")
	}
	at := bytes.Index(doc, []byte(jws)) + len(jws)/3
	altered := bytes.Clone(doc)
	altered[at] ^= 1
	for _, args := range [][]string{{"verify", "-keys", keys, "-"}, {"verify", "-keys", keys, "-json", "-"}} {
		got := play(t, nil, string(altered), args...)
		if got.code != exitFailed || strings.Contains(got.out, `"verified":true`) || strings.HasPrefix(got.out, "VERIFIED") {
			t.Errorf("%v on an altered file: status %d, %s", args, got.code, got.out)
		}
	}
	for _, bad := range []string{"", "[]", "{}", `{"items":[]}`, "not JSON"} {
		if got := play(t, nil, bad, "verify", "-keys", keys, "-"); got.code != exitFailed {
			t.Errorf("%q: status %d, want %d", bad, got.code, exitFailed)
		}
	}
}

// checkReduced verifies a result without its raw trials: status 0, and every form of the report says that the engine was not run again.
func checkReduced(t *testing.T, keys string, doc []byte) {
	var fields map[string]any
	if err := json.Unmarshal(doc, &fields); err != nil {
		t.Fatal(err)
	}
	delete(fields, "enclosed")
	delete(fields, "enclosedSalt")
	reduced, err := json.Marshal(fields)
	if err != nil || len(reduced) >= len(doc) {
		t.Fatalf("the file has no raw trials: %v", err)
	}
	got := play(t, nil, string(reduced), "verify", "-keys", keys, "-")
	const says = "the raw trials were not released: they are committed to by digest SHA-256 "
	if got.code != exitOK || !strings.HasPrefix(got.out, "VERIFIED WITHOUT THE RAW TRIALS") ||
		!strings.Contains(strings.Join(strings.Fields(got.out), " "), says) {
		t.Errorf("without raw trials: status %d, %s", got.code, got.out)
	}
	for text, whole := range map[string]bool{string(reduced): false, string(doc): true} {
		got := play(t, nil, text, "verify", "-keys", keys, "-json", "-")
		var v verdict
		if err := json.Unmarshal([]byte(got.out), &v); err != nil || !v.Verified || v.EngineRunAgain == nil || *v.EngineRunAgain != whole || v.RawTrialsDigest == "" {
			t.Errorf("-json: %v, %s", err, got.out)
		}
		withheld := strings.Count(got.out, `"state":"withheld"`)
		if got.code != exitOK || whole != (withheld == 0) || !whole && (withheld != 3 || !strings.Contains(got.out, says)) {
			t.Errorf("-json: status %d, %s", got.code, got.out)
		}
	}
	page := play(t, nil, `{"items":[{"result":{"bundle":`+string(doc)+`}},{"result":{"bundle":`+string(reduced)+`}}]}`, "verify", "-keys", keys, "-")
	if page.code != exitOK || !strings.Contains(page.out, "2 of 2 results verified, 1 of them without their raw trials.") {
		t.Errorf("a page of both: status %d, %s", page.code, page.out)
	}
}

// checkPage verifies a page of a feed: every result of it, the withheld ones apart.
func checkPage(t *testing.T, keys string, doc []byte) {
	item := `{"number":"1","result":{"bundle":` + string(doc) + `}}`
	withheld := `{"number":"2","withheld":true,"result":{"id":"x"}}`
	page := play(t, nil, `{"items":[`+item+`,`+withheld+`,`+item+`],"nextCursor":"x"}`, "verify", "-keys", keys, "-")
	if page.code != exitOK || !strings.Contains(page.out, "2 of 2 results verified") {
		t.Errorf("page: status %d, %s%s", page.code, page.out, page.err)
	}
	for _, said := range []string{`"signedBy":"Nobody Inparticular (invented)"`, `"decision":"JOB_OUTCOME_UNSPECIFIED"`} {
		around := `{"result":{` + said + `,"bundle":` + string(doc) + `}}`
		got := play(t, nil, around, "verify", "-keys", keys, "-")
		if got.code != exitFailed || !strings.HasPrefix(got.out, "NOT VERIFIED") || !strings.Contains(got.out, "the answer around the bundle says") {
			t.Errorf("%s around the bundle: status %d, %s", said, got.code, got.out)
		}
	}
	mixed := play(t, nil, `{"items":[`+item+`,`+strings.Replace(item, `"jws":"e`, `"jws":"f`, 1)+`]}`, "verify", "-keys", keys, "-")
	if mixed.code != exitFailed || !strings.Contains(mixed.out, "1 of 2 results verified") {
		t.Errorf("page with a bad result: status %d, %s", mixed.code, mixed.out)
	}
	if got := play(t, nil, `{"items":[`+withheld+`]}`, "verify", "-keys", keys, "-"); got.code != exitFailed {
		t.Errorf("a page with nothing to verify: status %d, want %d", got.code, exitFailed)
	}
}

// checkLog wants lines of JSON that name no client.
func checkLog(t *testing.T, path string) {
	log, err := os.ReadFile(path)
	if err != nil || len(log) == 0 {
		t.Fatalf("read log: %v, %d bytes", err, len(log))
	}
	for _, private := range []string{"Thistlewick", "LM-GQ-", "pdl_", "fire drill"} {
		if bytes.Contains(log, []byte(private)) {
			t.Errorf("the log holds %q", private)
		}
	}
	for i, line := range bytes.Split(bytes.TrimSpace(log), []byte("\n")) {
		if !json.Valid(line) {
			t.Fatalf("line %d of the log is not JSON: %s", i+1, line)
		}
	}
}

// TestKeepRefusesAnothersFolder: a folder with files in it is left as it is; an empty one is taken.
func TestKeepRefusesAnothersFolder(t *testing.T) {
	dir := t.TempDir()
	if err := ownFolder(dir); err != nil {
		t.Errorf("an empty folder: %v", err)
	}
	if err := ownFolder(dir); err != nil {
		t.Errorf("its own folder: %v", err)
	}
	other := t.TempDir()
	if err := os.WriteFile(filepath.Join(other, "mine.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	got := play(t, nil, "", "demo", "-exit", "-keep", other)
	left, err := os.ReadDir(other)
	if got.code != exitFailed || !strings.Contains(got.err, "not made by the demonstration") || err != nil || len(left) != 1 {
		t.Errorf("another's folder: status %d, %q, now %d files (%v)", got.code, got.err, len(left), err)
	}
}

// TestDemoNoticesAnAuditCheckThatIsBlind: with rows that were not altered after all, the step that claims to find them fails.
func TestDemoNoticesAnAuditCheckThatIsBlind(t *testing.T) {
	w, out := testWorld(nil, "")
	p, err := startPrivate(t.Context(), w, privateOptions{grpc: "127.0.0.1:0", rest: "127.0.0.1:0", progress: func(string) {}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := p.close(); err != nil {
			t.Error(err)
		}
		if _, err := os.Stat(p.dir); !os.IsNotExist(err) {
			t.Errorf("%s is left behind: %v", p.dir, err)
		}
	}()
	token, err := p.networkAdmin(t.Context(), w, "test")
	if err != nil {
		t.Fatal(err)
	}
	err = demo.Run(t.Context(), demo.Options{GRPCAddress: p.addresses.GRPC, RESTBase: "http://" + p.addresses.REST, AdminToken: token, LogName: demoLogName,
		Seed: 3, Now: w.now, Started: w.started, Out: out, SaveDir: t.TempDir(), Command: "ponderal",
		Alter: func(context.Context, demo.Target) error { return nil },
		Audit: func(ctx context.Context) (demo.AuditReport, error) { return auditForDemo(ctx, p) }})
	if err == nil || !strings.Contains(err.Error(), "want both") {
		t.Errorf("Run = %v, want the last step to fail", err)
	}
}

// TestDemoInterrupted: an interrupt, early or late, ends it with a status other than 0, says only that, and leaves nothing behind.
func TestDemoInterrupted(t *testing.T) {
	dir := publicDir(t)
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	t.Setenv("TMPDIR", dir)
	for _, at := range []string{"Ponderal demonstration", "starting Postgres", "2. The clinics push"} {
		ctx, cancel := context.WithCancel(t.Context())
		w, out := testWorld(nil, "")
		w.stdout, w.stderr = onText{out, at, cancel}, out
		if code := run(ctx, w, []string{"demo"}); code != exitFailed || !strings.HasSuffix(out.String(), "\nponderal demo: interrupted before the end\n") {
			t.Errorf("interrupted at %q: status %d:\n%s", at, code, out)
		}
		left, err := os.ReadDir(dir)
		if err != nil || len(left) != 0 {
			t.Errorf("interrupted at %q: left behind: %v, %v", at, left, err)
		}
	}
}

// TestDemoServesUntilInterrupted: after the story an interrupt is how it is meant to end.
func TestDemoServesUntilInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	w, out := testWorld(nil, "")
	w.stdout = onText{out, "Serving until interrupted", cancel}
	if code := run(ctx, w, []string{"demo"}); code != exitOK {
		t.Errorf("status %d:\n%s", code, out)
	}
}

// onText calls then once the text has been written.
type onText struct {
	*bytes.Buffer
	text string
	then func()
}

func (o onText) Write(b []byte) (int, error) {
	n, err := o.Buffer.Write(b)
	if bytes.Contains(b, []byte(o.text)) {
		o.then()
	}
	return n, err
}
