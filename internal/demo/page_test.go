package demo

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestParagraphKeepsWithinTheWidth(t *testing.T) {
	var b bytes.Buffer
	Paragraph(&b, "  - ", "    ", strings.Repeat("läuft ", 60)+strings.Repeat("x", 120)+" end")
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	for i, line := range lines {
		long := strings.Contains(line, "xxx")
		if n := utf8.RuneCountInString(line); n > width && !long {
			t.Errorf("line %d has %d columns", i+1, n)
		}
		if indent := map[bool]string{true: "  - ", false: "    "}[i == 0]; !strings.HasPrefix(line, indent) {
			t.Errorf("line %d begins %q, want %q", i+1, line[:4], indent)
		}
	}
	if n := utf8.RuneCountInString(lines[0]); n < width-6 {
		t.Errorf("the first line has %d columns where another word would fit", n)
	}
}

func TestTableIsAligned(t *testing.T) {
	var b bytes.Buffer
	p := &page{w: &b}
	p.table([]string{"who", "lb"}, " r", [][]string{{"Zoë", "5"}, {"P. Larkmarsh", "12.5"}})
	want := "  who             lb\n  ------------  ----\n  Zoë              5\n  P. Larkmarsh  12.5\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

func TestProgressOffATerminalIsSparse(t *testing.T) {
	var b bytes.Buffer
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	p := &page{w: &b, now: func() time.Time { return now }}
	for i := 1; i <= 50; i++ {
		p.progress("sessions", i, 50)
		now = now.Add(100 * time.Millisecond)
	}
	lines := strings.Count(b.String(), "\n")
	if lines < 3 || lines > 5 || strings.Contains(b.String(), "\r") {
		t.Errorf("5 seconds of progress give %d lines:\n%q", lines, b.String())
	}
	b.Reset()
	for i := 1; i <= 50; i++ {
		p.progress("sessions", i, 50)
		now = now.Add(time.Millisecond)
	}
	if strings.Count(b.String(), "\n") > 1 {
		t.Errorf("what takes no second is reported: %q", b.String())
	}
}

func TestProgressOnATerminalClearsItsLine(t *testing.T) {
	var b bytes.Buffer
	p := &page{w: &b, terminal: true, now: time.Now}
	p.progress("sessions", 1, 2)
	p.progress("sessions", 2, 2)
	if !strings.Contains(b.String(), "sessions: 1/2") || !strings.HasSuffix(b.String(), "\r\x1b[K") || strings.Contains(b.String(), "\n") {
		t.Errorf("got %q", b.String())
	}
}

func TestHeadingIsBoldOnlyWhenAsked(t *testing.T) {
	for _, bold := range []bool{true, false} {
		var b bytes.Buffer
		p := &page{w: &b, bold: bold}
		p.heading("Scores")
		if got := strings.Contains(b.String(), "\x1b[1m"); got != bold || !strings.Contains(b.String(), "1. Scores") {
			t.Errorf("bold %v: %q", bold, b.String())
		}
	}
}
