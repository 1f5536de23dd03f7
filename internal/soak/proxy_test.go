package soak

import (
	"context"
	"io"
	"net"
	"testing"
	"time"

	"ponderal.example/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// echo answers each connection with what it sent.
func echo(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(c, c)
				_ = c.Close()
			}()
		}
	}()
	return l.Addr().String()
}

// said sends a word and returns whether it came back within a moment.
func said(t *testing.T, c net.Conn) bool {
	t.Helper()
	if _, err := c.Write([]byte("word")); err != nil {
		return false
	}
	if err := c.SetReadDeadline(time.Now().Add(300 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, 4)
	_, err := io.ReadFull(c, got)
	return err == nil && string(got) == "word"
}

func TestWeather(t *testing.T) {
	for _, c := range []struct {
		name         string
		weather      weather
		during, then bool // whether the connection carries words in that weather, and in a clear one after it
		anew         bool // whether a connection can be made in that weather
	}{
		{"clear", clear, true, true, true},
		{"slow", slow, true, true, true},
		{"away", away, false, false, false},
		{"deaf", deaf, false, false, false},
		{"mute", mute, false, false, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			n, err := newNetwork(context.Background(), echo(t))
			if err != nil {
				t.Fatal(err)
			}
			defer n.close()
			dial := func() net.Conn {
				conn, err := net.Dial("tcp4", n.address())
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = conn.Close() })
				return conn
			}
			first := dial()
			if !said(t, first) {
				t.Fatal("a clear network carries nothing")
			}
			n.change(c.weather)
			if got := said(t, first); got != c.during {
				t.Errorf("carries: %v, want %v", got, c.during)
			}
			if got := said(t, dial()); got != c.anew {
				t.Errorf("a new connection carries: %v, want %v", got, c.anew)
			}
			n.change(clear)
			if got := said(t, first); got != c.then {
				t.Errorf("in clear weather again it carries: %v, want %v", got, c.then)
			}
			if !said(t, dial()) {
				t.Error("a new connection carries nothing in clear weather")
			}
			n.forget()
		})
	}
}
