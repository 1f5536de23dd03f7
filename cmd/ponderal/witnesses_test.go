package main

import (
	"crypto/rand"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/note"

	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness/witnesstest"
)

// TestServeAsksItsWitnesses: what the file names is asked, says so in the metrics, and ends with the service; the audit check knows whose word it is.
func TestServeAsksItsWitnesses(t *testing.T) {
	t.Parallel()
	env, db := configured(t)
	keys, err := readKeys(env["PONDERAL_KEYS_FOLDER"])
	if err != nil {
		t.Fatal(err)
	}
	x, err := witnesstest.New("witness.example/one", rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	origin := env["PONDERAL_LOG_NAME"] + "/" + record.NetworkClinic
	vkey, err := note.NewEd25519VerifierKey(origin, keys.log.Public().Key)
	if err == nil {
		err = x.Trust(vkey)
	}
	if err != nil {
		t.Fatal(err)
	}
	front := httptest.NewServer(x)
	t.Cleanup(front.Close)
	file := filepath.Join(t.TempDir(), "witnesses.txt")
	if err := os.WriteFile(file, []byte("# ours\n"+front.URL+" "+x.Key()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	env["PONDERAL_WITNESSES_FILE"], env["PONDERAL_WITNESS_SECONDS"] = file, "10"
	// The network's log gets its first entry.
	if made := play(t, env, "", "token", "-role", "network_admin", "-label", "first administrator"); made.code != exitOK {
		t.Fatal(made.err)
	}
	base, stop := serveInTest(t, env)
	const cosigned = `ponderal_witness_heads_total{outcome="cosigned",witness="witness.example/one"} 1`
	var metrics string
	for end := time.Now().Add(30 * time.Second); !strings.Contains(metrics, cosigned) && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		metrics = getText(t, base+"/metrics")
	}
	if !strings.Contains(metrics, cosigned) || !strings.Contains(metrics, `ponderal_witness_heads_total{outcome="log_shorter",witness="witness.example/one"} 0`) {
		t.Errorf("the metrics do not say so:\n%s", metrics)
	}
	if code := stop(); code != exitOK {
		t.Errorf("serve ended with status %d", code)
	}
	if seen, _ := x.Seen(origin); seen.N != 1 {
		t.Errorf("the witness has seen %d entries, want 1", seen.N)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "Witness witness.example/one cosigned 1 of the heads; not verified"},
		{[]string{"-witnesses", file}, "Witness witness.example/one cosigned 1 of the heads; verified"},
		{[]string{"-witnesses", file, "-json"}, `"name":"witness.example/one","key":"` + x.Key() + `","verified":true,"heads":1`},
	} {
		env["PONDERAL_DATABASE_URL"] = db.ServiceURL
		got := play(t, env, "", append([]string{"audit", "check"}, c.args...)...)
		if got.code != exitOK || !strings.Contains(got.out, c.want) {
			t.Errorf("audit check %v: status %d, want %q\n%s%s", c.args, got.code, c.want, got.out, got.err)
		}
	}
}

func getText(t *testing.T, url string) string {
	t.Helper()
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	resp, err := (&http.Client{Transport: transport}).Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestWitnessesThatStopTheStart: a file that cannot be read, and each thing in it that cannot be honoured; a log that was to be witnessed is not served as
// if it were.
func TestWitnessesThatStopTheStart(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	x, err := witnesstest.New("witness.example/one", rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := seal.ParseWitness(x.Key()); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "witnesses.txt")
	for name, c := range map[string]struct{ text, want string }{
		"empty":              {"", "it names no witness"},
		"plain http":         {"http://witness.example " + x.Key(), "line 1: the address is not https"},
		"a key that is none": {"# ours\nhttps://witness.example witness.example/one", "line 2: parse witness"},
		"too large":          {strings.Repeat("#\n", maxWitnesses), "larger than"},
	} {
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		env["PONDERAL_WITNESSES_FILE"] = file
		if got := play(t, env, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, c.want) {
			t.Errorf("%s: status %d, want %q: %s", name, got.code, c.want, got.err)
		}
	}
	env["PONDERAL_WITNESSES_FILE"] = file + ".none"
	if got := play(t, env, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, "read witnesses") {
		t.Errorf("no such file: status %d: %s", got.code, got.err)
	}
	env["PONDERAL_WITNESS_SECONDS"] = "9"
	if got := play(t, env, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, "from 10 to 86400") {
		t.Errorf("too often: status %d: %s", got.code, got.err)
	}
}
