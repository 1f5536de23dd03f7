package main

import (
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ponderal.example/internal/config"
)

// sendJSON calls the service over REST and returns the answer's text.
func sendJSON(t *testing.T, method, url, token, body string) (int, string) {
	t.Helper()
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	req, err := http.NewRequestWithContext(t.Context(), method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	resp, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

// TestServeHasTheKeysOfWebhooks: a webhook set over REST shows its secret once; a service without the key that seals it does not start, and with it does.
func TestServeHasTheKeysOfWebhooks(t *testing.T) {
	t.Parallel()
	env, _ := configured(t)
	made := play(t, env, "", "identity", "-new-key", "k1")
	file := filepath.Join(t.TempDir(), "factors")
	if err := os.WriteFile(file, []byte(made.out), 0o600); err != nil || made.code != exitOK {
		t.Fatal(err, made.err)
	}
	token := strings.TrimSpace(play(t, env, "", "token", "-role", "network_admin", "-label", "first administrator").out)
	base, stop := serveInTest(t, env)
	const payer, webhook = "019a0000-0000-7000-8000-0000000000f0", "019a0000-0000-7000-8000-0000000000f1"
	if code, text := sendJSON(t, http.MethodPut, base+"/v1/payers/"+payer, token, `{"id":"`+payer+`","name":"Invented Mutual"}`); code != http.StatusOK {
		t.Fatal(code, text)
	}
	put := `{"id":"` + webhook + `","payer_id":"` + payer + `","url":"https://hooks.payer.example/in"}`
	if code, text := sendJSON(t, http.MethodPut, base+"/v1/webhooks/"+webhook, token, put); code != http.StatusBadRequest || !strings.Contains(text, "WEBHOOKS_NOT_SET_UP") {
		t.Errorf("without a key: %d %s", code, text)
	}
	stop()
	env["PONDERAL_SECOND_FACTOR_KEY_FILE"] = file
	base, stop = serveInTest(t, env)
	code, text := sendJSON(t, http.MethodPut, base+"/v1/webhooks/"+webhook, token, put)
	var got struct{ Secret string }
	if err := json.Unmarshal([]byte(text), &got); err != nil || code != http.StatusOK || !strings.HasPrefix(got.Secret, "whsec_") {
		t.Fatalf("%d %s", code, text)
	}
	if code, text := sendJSON(t, http.MethodGet, base+"/v1/webhooks", token, ""); code != http.StatusOK || !strings.Contains(text, webhook) || strings.Contains(text, "whsec_") {
		t.Errorf("list: %d %s", code, text)
	}
	if code, text := sendJSON(t, http.MethodGet, base+"/v1/deliveries?payer_id="+payer, token, ""); code != http.StatusOK || strings.Contains(text, `"id"`) {
		t.Errorf("deliveries: %d %s", code, text)
	}
	if code := stop(); code != exitOK {
		t.Errorf("serve ended with status %d", code)
	}
	if got := play(t, env, "", "audit", "check"); got.code != exitOK {
		t.Errorf("audit check: status %d\n%s%s", got.code, got.out, got.err)
	}
	env["PONDERAL_SECOND_FACTOR_KEY_FILE"] = ""
	if got := play(t, env, "", "serve"); got.code != exitFailed || !strings.Contains(got.err, "secrets of webhooks are sealed under keys") {
		t.Errorf("without the key: status %d, %s", got.code, got.err)
	}
}

// TestWebhookAuthorities: a file of authorities that cannot be honoured stops the start.
func TestWebhookAuthorities(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.pem")
	if err := os.WriteFile(empty, []byte("no certificate"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct{ file, want string }{"missing": {filepath.Join(dir, "none.pem"), "webhook_ca_file"}, "empty": {empty, "no certificate in it"}} {
		if _, err := webhooksOf(config.Config{WebhookCAFile: c.file}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if o, err := webhooksOf(config.Config{}); err != nil || o.Roots != nil || o.Private {
		t.Errorf("nothing set: %+v, %v", o, err)
	}
	if o, err := webhooksOf(config.Config{WebhookPrivate: true}); err != nil || !o.Private {
		t.Errorf("private: %+v, %v", o, err)
	}
}
