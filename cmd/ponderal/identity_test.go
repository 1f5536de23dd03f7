package main

import (
	"bytes"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// withKey gives an environment a key file for second factors.
func withKey(t *testing.T, env map[string]string, id string) string {
	t.Helper()
	made := play(t, nil, "", "identity", "-new-key", id)
	if made.code != exitOK || !strings.HasPrefix(made.out, id+" ") {
		t.Fatalf("new key: status %d, %s", made.code, made.err)
	}
	path := filepath.Join(t.TempDir(), "second-factor.key")
	if err := os.WriteFile(path, []byte(made.out), 0o600); err != nil {
		t.Fatal(err)
	}
	env["PONDERAL_SECOND_FACTOR_KEY_FILE"] = path
	return path
}

// post sends JSON and returns the status and the answer.
func post(t *testing.T, url string, in map[string]any) (int, map[string]any) {
	t.Helper()
	body, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	resp, err := (&http.Client{Transport: transport}).Post(url, "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	out := map[string]any{}
	if err := json.NewDecoder(resp.Body).Decode(&out); err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, out
}

// TestFirstAdministrator: bound at the console, set up over REST; and a service whose key file lacks the key of a stored second factor does not start.
func TestFirstAdministrator(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	bind := []string{"identity", "-login", "n.admin", "-name", "N. Administrator", "-role", "network_admin"}
	if got := play(t, env, "", bind...); got.code != exitFailed || !strings.Contains(got.err, "second_factor_key_file must be set") {
		t.Errorf("without a key: status %d, %s", got.code, got.err)
	}
	keyFile := withKey(t, env, "k1")
	bound := play(t, env, "", bind...)
	code := strings.TrimSpace(bound.out)
	if bound.code != exitOK || len(code) < 24 || strings.Contains(bound.err, code) {
		t.Fatalf("bind: status %d, %s", bound.code, bound.err)
	}
	if again := play(t, env, "", bind...); again.code != exitFailed || again.out != "" {
		t.Errorf("the same login twice: status %d, %s", again.code, again.err)
	}
	base, stop := serveInTest(t, env)
	status, begun := post(t, base+"/v1/sign-in/set-up", map[string]any{"login": "n.admin", "setup_code": code, "password": "five brown boxes on a shelf"})
	secret, _ := begun["secondFactorSecret"].(string)
	if status != http.StatusOK || secret == "" {
		t.Fatalf("set up: HTTP %d, %v", status, begun)
	}
	if status, answer := post(t, base+"/v1/sign-in", map[string]any{"login": "n.admin", "password": "five brown boxes on a shelf", "code": "000000"}); status != http.StatusUnauthorized {
		t.Errorf("signed in before it was confirmed: HTTP %d, %v", status, answer)
	}
	if code := stop(); code != exitOK {
		t.Errorf("serve ended with status %d", code)
	}
	if got := play(t, env, "", "audit", "check"); got.code != exitOK {
		t.Errorf("the audit check of what signing in stored: status %d, %s%s", got.code, got.out, got.err)
	}
	// A second factor is stored now under k1 (as ConfirmSetUp stores it), and the file is changed for one with another key.
	storeSealed(t, env, "k1")
	other := map[string]string{}
	withKey(t, other, "k2")
	text, err := os.ReadFile(other["PONDERAL_SECOND_FACTOR_KEY_FILE"])
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(keyFile, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if got := play(t, env, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, "sealed under the keys k1") {
		t.Errorf("serve without the key of what is stored: status %d, %s", got.code, got.err)
	}
}

// storeSealed stores a second factor of an identity of the network under a key.
func storeSealed(t *testing.T, env map[string]string, key string) {
	t.Helper()
	w, _ := testWorld(env, "")
	st, err := store.Open(t.Context(), store.Options{URL: env["PONDERAL_DATABASE_URL"], MaxConns: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	keys, err := readKeys(env["PONDERAL_KEYS_FOLDER"])
	if err != nil {
		t.Fatal(err)
	}
	log, err := auditlog.New(t.Context(), auditlog.Options{Name: env["PONDERAL_LOG_NAME"], Key: keys.log, Ring: keys.ring, Now: w.now, Rand: w.random})
	if err != nil {
		t.Fatal(err)
	}
	body, err := json.Marshal(map[string]any{"identity_id": newID(w).String(), "secret": record.Sealed{KeyID: key, Box: "AA"}})
	if err != nil {
		t.Fatal(err)
	}
	err = st.InClinic(t.Context(), record.NetworkClinic, func(tx *store.Tx) error {
		_, err := log.Append(t.Context(), tx, auditlog.Draft{ClinicID: record.NetworkClinic, Action: record.ActionSecondFactorSet, Last: true,
			Docs: []store.DocRow{{Kind: record.KindSecondFactor, ID: newID(w).String(), Revision: 1, Body: body}}}, false)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestSignInSettingsThatCannotBeHonoured stop the start.
func TestSignInSettingsThatCannotBeHonoured(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for name, c := range map[string]struct{ variable, value, want string }{
		"no key file":       {"PONDERAL_SECOND_FACTOR_KEY_FILE", filepath.Join(dir, "none"), "second_factor_key_file"},
		"no key in it":      {"PONDERAL_SECOND_FACTOR_KEY_FILE", write("empty", "# nothing\n"), "there is no key"},
		"no issuers' file":  {"PONDERAL_OPENID_ISSUERS_FILE", filepath.Join(dir, "none"), "openid_issuers_file"},
		"no JSON":           {"PONDERAL_OPENID_ISSUERS_FILE", write("text", "id.example"), "read issuers"},
		"a plain issuer":    {"PONDERAL_OPENID_ISSUERS_FILE", write("http", `[{"issuer":"http://id.example","audiences":["a"]}]`), "must be an https URL"},
		"an HMAC":           {"PONDERAL_OPENID_ISSUERS_FILE", write("hmac", `[{"issuer":"https://id.example","audiences":["a"],"algorithms":["HS256"]}]`), "HS256"},
		"a life of a week":  {"PONDERAL_SIGN_IN_MINUTES", "10080", "PONDERAL_SIGN_IN_MINUTES"},
		"too little memory": {"PONDERAL_PASSWORD_MEMORY_MIB", "63", "PONDERAL_PASSWORD_MEMORY_MIB"},
	} {
		with := map[string]string{c.variable: c.value}
		for k, v := range env {
			with[k] = v
		}
		if got := play(t, with, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, c.want) {
			t.Errorf("%s: status %d, %s", name, got.code, got.err)
		}
	}
}

// TestIdentityUsage: what does not go together is said before anything is opened.
func TestIdentityUsage(t *testing.T) {
	for _, args := range [][]string{
		{}, {"-login", "a.b"}, {"-login", "a.b", "-issuer", "https://id.example", "-subject", "s", "-name", "N"}, {"-issuer", "https://id.example", "-name", "N"},
		{"-login", "a.b", "-name", "N", "-member", "M", "-clinic", "C"}, {"-login", "a.b", "-member", "M"}, {"-login", "a.b", "-name", "N", "-clinic", "C"},
		{"-id", "I", "-login", "a.b"}, {"-login", "a.b", "-name", "N", "-role", "network_king"},
	} {
		if got := play(t, nil, "", append([]string{"identity"}, args...)...); got.code != exitUsage {
			t.Errorf("%v: status %d, %s", args, got.code, got.err)
		}
	}
	if got := play(t, nil, "", "identity", "-new-key", "No Good"); got.code != exitFailed || got.out != "" {
		t.Errorf("an id with a blank: status %d, %q", got.code, got.out)
	}
}

// TestTooExpected: what an outsider would try first is blocked, and a longer text of the same beginning is not.
func TestTooExpected(t *testing.T) {
	for text, want := range map[string]bool{"aaaaaaaaaa": true, "12345678": true, "87654321": true, "password1": true, "Qwertyui!": true, "abcdefgh": true,
		"password of my own": false, "12345687": false, "aaaaaaab": false, "five brown boxes": false} {
		if got := tooExpected(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}
