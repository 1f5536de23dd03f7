package main

import (
	"encoding/pem"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestHealth: 200 is ready; every other answer, none, and a redirect are not.
func TestHealth(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/readyz":
		case "/moved":
			http.Redirect(w, r, "/readyz", http.StatusFound)
		default:
			http.Error(w, "not ready", http.StatusServiceUnavailable)
		}
	}))
	defer server.Close()
	for _, tt := range []struct {
		url, want string
		code      int
	}{
		{server.URL + "/readyz", "", exitOK},
		{server.URL + "/other", "503", exitFailed},
		{server.URL + "/moved", "302", exitFailed},
		{"http://127.0.0.1:1/readyz", "ask the service", exitFailed},
		{"http://%", "-url", exitUsage},
	} {
		got := play(t, nil, "", "health", "-url", tt.url)
		if got.code != tt.code || !strings.Contains(got.err, tt.want) {
			t.Errorf("%s: status %d and %q, want %d and %q", tt.url, got.code, got.err, tt.code, tt.want)
		}
	}
}

// TestHealthPinsTheCertificate: the file's certificate is accepted, whatever name is asked for, another one and none are not.
func TestHealthPinsTheCertificate(t *testing.T) {
	ok := http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})
	server := httptest.NewTLSServer(ok)
	defer server.Close()
	raw := server.Certificate().Raw
	write := func(name string, content []byte) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	right := write("right.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}))
	other := append([]byte(nil), raw...)
	other[len(other)-1] ^= 1
	url := strings.Replace(server.URL, "127.0.0.1", "localhost", 1)
	for _, tt := range []struct {
		path, want string
		code       int
	}{
		{right, "", exitOK},
		{write("other.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: other})), "another certificate", exitFailed},
		{write("key.pem", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: raw})), "there is none", exitFailed},
		{right + ".none", "read certificate", exitFailed},
		{"", "certificate", exitFailed},
	} {
		got := play(t, nil, "", "health", "-url", url, "-certificate", tt.path)
		if got.code != tt.code || !strings.Contains(got.err, tt.want) {
			t.Errorf("%s: status %d and %q, want %d and %q", tt.path, got.code, got.err, tt.code, tt.want)
		}
	}
	if got := play(t, map[string]string{certificateVariable: right}, "", "health", "-url", url); got.code != exitOK {
		t.Errorf("with the service's own setting: status %d and %q", got.code, got.err)
	}
}
