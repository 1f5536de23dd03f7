package gateway

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// streaming serves a stream over a server whose bounds on a whole request and answer are shorter than the stream takes.
func streaming(t *testing.T, output protoreflect.FullName, idle time.Duration, next func(w http.ResponseWriter, ctx context.Context)) *http.Response {
	t.Helper()
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		(&Gateway{}).serveStream(w, r, nil, &route{streams: true, output: output}, func(w http.ResponseWriter, r *http.Request, _ map[string]string) {
			if s, ok := w.(*streamed); ok {
				s.idle = idle
			}
			next(w, r.Context())
		})
	}))
	server.Config.ReadTimeout, server.Config.WriteTimeout = 200*time.Millisecond, 200*time.Millisecond
	server.Start()
	t.Cleanup(server.Close)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	resp, err := client.Get(server.URL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = resp.Body.Close() })
	return resp
}

// piece writes a piece and the line end after it, as the generated code does.
func piece(w http.ResponseWriter, text string) error {
	_, err := w.Write([]byte(text))
	_, err2 := w.Write([]byte("\n"))
	return errors.Join(err, err2, http.NewResponseController(w).Flush())
}

const bytesBody = "google.api.HttpBody"

// TestStreamOutlastsTheServersBounds: a stream goes on as long as each piece is taken in time, longer than any other answer may take; the pieces of a file
// are joined, messages have a line each.
func TestStreamOutlastsTheServersBounds(t *testing.T) {
	for output, want := range map[protoreflect.FullName]string{bytesBody: "onetwothree", "a.Message": "one\ntwo\nthree\n"} {
		resp := streaming(t, output, time.Minute, func(w http.ResponseWriter, ctx context.Context) {
			for _, text := range []string{"one", "two", "three"} {
				time.Sleep(150 * time.Millisecond)
				if err := piece(w, text); err != nil || ctx.Err() != nil {
					t.Errorf("%s: %v, %v", text, err, ctx.Err())
				}
			}
		})
		got, err := io.ReadAll(resp.Body)
		if err != nil || string(got) != want {
			t.Errorf("%s: %q, %v, want %q", output, got, err, want)
		}
	}
}

// TestStreamFailsHalfWay: a file that breaks off is known to be cut off; a stream of messages ends with what the generated code says.
func TestStreamFailsHalfWay(t *testing.T) {
	for _, output := range []protoreflect.FullName{bytesBody, "a.Message"} {
		resp := streaming(t, output, time.Minute, func(w http.ResponseWriter, ctx context.Context) {
			if err := piece(w, "one"); err != nil {
				t.Error(err)
			}
			streamFailed(ctx, errors.New("the call failed"))
			_ = piece(w, `{"error":{}}`)
		})
		got, err := io.ReadAll(resp.Body)
		switch {
		case output == bytesBody && (string(got) != "one" || !errors.Is(err, io.ErrUnexpectedEOF)):
			t.Errorf("a file: %q, %v", got, err)
		case output != bytesBody && (string(got) != "one\n{\"error\":{}}\n" || err != nil):
			t.Errorf("messages: %q, %v", got, err)
		}
	}
}

// TestStreamOfNobodyReading: a reader who takes nothing ends the stream after its time.
func TestStreamOfNobodyReading(t *testing.T) {
	ended := make(chan error, 1)
	streaming(t, bytesBody, 300*time.Millisecond, func(w http.ResponseWriter, _ context.Context) {
		var err error
		for i := 0; err == nil && i < 1000; i++ {
			err = piece(w, strings.Repeat("x", 1<<20))
		}
		ended <- err
	})
	select {
	case err := <-ended:
		if err == nil {
			t.Error("a thousand MiB were taken by nobody")
		}
	case <-time.After(20 * time.Second):
		t.Error("the stream has no end")
	}
}
