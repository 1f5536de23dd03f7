package main

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// exportLog is a log of five entries as the service writes it, in either format: one reason has a line end.
func exportLog(format string, after int) string {
	var b strings.Builder
	if format == "csv" && after < 0 {
		b.WriteString("number,reason,entries\r\n")
	}
	for n := after + 1; n < 5; n++ {
		if format == "csv" {
			fmt.Fprintf(&b, "%d,\"said \"\"so\"\"\n4,twice\",\r\n", n)
		} else {
			fmt.Fprintf(&b, `{"number":%d,"reason":"said \"end\":true"}`+"\n", n)
		}
	}
	if format == "csv" {
		b.WriteString("end,,5\r\n")
	} else {
		b.WriteString(`{"end":true,"entries":5,"last":4,"checkpoint":"x"}` + "\n")
	}
	return b.String()
}

// exportServer answers as the service does; the first answers are cut off after so many bytes.
func exportServer(t *testing.T, cuts ...int) string {
	t.Helper()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		if r.Header.Get("Authorization") != "Bearer secret" || q.Get("filter.memberId") == "nobody" {
			w.WriteHeader(http.StatusBadRequest)
			fmt.Fprint(w, `{"code":3,"message":"refused","details":[{"@type":"x","fieldViolations":[{"field":"filter.member_id","description":"is a UUID"}]}]}`)
			return
		}
		after := -1
		if q.Get("after") != "" {
			after, _ = strconv.Atoi(q.Get("after"))
		}
		text := exportLog(map[string]string{"EXPORT_FORMAT_CSV": "csv", "EXPORT_FORMAT_JSON_LINES": "jsonl"}[q.Get("format")], after)
		if len(cuts) == 0 {
			fmt.Fprint(w, text)
			return
		}
		fmt.Fprint(w, text[:cuts[0]])
		cuts = cuts[1:]
		_ = http.NewResponseController(w).Flush()
		if conn, _, err := http.NewResponseController(w).Hijack(); err == nil {
			_ = conn.Close()
		}
	}))
	t.Cleanup(server.Close)
	return server.URL
}

// exportArgs are the arguments of an export, and the file that it writes.
func exportArgs(t *testing.T, url, token string, more ...string) (args []string, out string) {
	t.Helper()
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "token"), []byte(token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	out = filepath.Join(folder, "log")
	return append([]string{"audit", "export", "-service", url, "-token-file", filepath.Join(folder, "token"), "-out", out}, more...), out
}

// TestAuditExport: cut anywhere, the file has whole entries alone, and with -after the rest; together they are what an export that was not cut is.
func TestAuditExport(t *testing.T) {
	t.Parallel()
	for _, format := range []string{"jsonl", "csv"} {
		whole := exportLog(format, -1)
		args, out := exportArgs(t, exportServer(t), "secret", "-format", format)
		got := play(t, nil, "", args...)
		if text, err := os.ReadFile(out); got.code != exitOK || err != nil || string(text) != whole || !strings.Contains(got.err, "5 entries written, complete") {
			t.Errorf("%s: %d, %q, %q, %v", format, got.code, got.err, text, err)
		}
		if got := play(t, nil, "", args...); got.code != exitFailed {
			t.Errorf("%s: a file that is there is written over: %q", format, got.err)
		}
		for cut := 30; cut < len(whole)-1; cut += 7 {
			args, out := exportArgs(t, exportServer(t, cut), "secret", "-format", format)
			got := play(t, nil, "", args...)
			part, err := os.ReadFile(out)
			if got.code != exitFailed || !strings.HasPrefix(whole, string(part)) {
				t.Fatalf("%s cut at %d: %d, %q, %q", format, cut, got.code, got.err, part)
			}
			_, after, known := strings.Cut(strings.TrimSpace(got.err), "-after ")
			if !known {
				if err == nil {
					t.Errorf("%s cut at %d: nothing arrived, and the file is there: %q", format, cut, got.err)
				}
				continue
			}
			if got := play(t, nil, "", append(args, "-after", "77")...); got.code != exitFailed || !strings.Contains(got.err, "go on with -after "+after) {
				t.Errorf("%s: another entry than the last: %q", format, got.err)
			}
			if got := play(t, nil, "", append(args, "-after", after)...); got.code != exitOK {
				t.Errorf("%s after %s: %q", format, after, got.err)
			}
			if all, err := os.ReadFile(out); err != nil || string(all) != whole {
				t.Errorf("%s cut at %d: part and rest are %q, want %q", format, cut, all, whole)
			}
			if got := play(t, nil, "", append(args, "-after", after)...); got.code != exitFailed || !strings.Contains(got.err, "nothing is missing") {
				t.Errorf("%s: once more: %q", format, got.err)
			}
		}
	}
}

func TestAuditExportRefuses(t *testing.T) {
	t.Parallel()
	url := exportServer(t)
	args, out := exportArgs(t, url, "secret", "-member", "nobody")
	if got := play(t, nil, "", args...); got.code != exitFailed || !strings.Contains(got.err, "filter.member_id: is a UUID") {
		t.Errorf("a filter that is refused: %d %q", got.code, got.err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a request that was refused leaves a file")
	}
	args, _ = exportArgs(t, url, "secret", "-format", "xml")
	if got := play(t, nil, "", args...); got.code != exitUsage {
		t.Errorf("a format that is none: %d %q", got.code, got.err)
	}
	if got := play(t, nil, "", "audit", "export", "-service", url); got.code != exitUsage || !strings.Contains(got.err, "required") {
		t.Errorf("without what is required: %d %q", got.code, got.err)
	}
	if got := play(t, nil, "", "audit", "export", "-h"); got.code != exitOK || !strings.Contains(got.out, "-by-token") {
		t.Errorf("its help: %d %q", got.code, got.out)
	}
}
