package demo

import (
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"
)

// width is the longest line that is written, ids and ready commands apart.
const width = 100

// page writes the story: plain text, headings, aligned tables.
type page struct {
	w io.Writer
	// terminal allows a progress line that is written over; bold allows bold headings.
	terminal, bold bool
	now            func() time.Time
	chapter        int
	// reported is when progress was last shown.
	reported time.Time
}

// heading begins a chapter.
func (p *page) heading(title string) {
	p.chapter++
	text := fmt.Sprintf("%d. %s", p.chapter, title)
	rule := strings.Repeat("-", utf8.RuneCountInString(text))
	if p.bold {
		text = "\x1b[1m" + text + "\x1b[0m"
	}
	fmt.Fprintf(p.w, "\n%s\n%s\n", text, rule)
}

// say writes a paragraph, wrapped.
func (p *page) say(format string, args ...any) { p.wrapped("", "", fmt.Sprintf(format, args...)) }

// item writes a paragraph with a mark before it.
func (p *page) item(format string, args ...any) {
	p.wrapped("  - ", "    ", fmt.Sprintf(format, args...))
}

// fact writes a name and what it is, aligned.
func (p *page) fact(name, format string, args ...any) {
	p.wrapped(fmt.Sprintf("  %-18s ", name), strings.Repeat(" ", 21), fmt.Sprintf(format, args...))
}

// line writes one line as it is.
func (p *page) line(format string, args ...any) { fmt.Fprintf(p.w, format+"\n", args...) }

func (p *page) blank() { fmt.Fprintln(p.w) }

func (p *page) wrapped(first, rest, text string) { Paragraph(p.w, first, rest, text) }

// Paragraph writes text in lines of at most 100 columns where its words allow it: first stands before the first line, rest before the others.
func Paragraph(w io.Writer, first, rest, text string) {
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			fmt.Fprintln(w, line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	fmt.Fprintln(w, line)
}

// progress shows how far a count is: over the same line on a terminal, otherwise a line a second at most. The last count clears it.
func (p *page) progress(what string, count, total int) {
	if p.terminal {
		fmt.Fprintf(p.w, "\r  %s: %d/%d\x1b[K", what, count, total)
		if count == total {
			fmt.Fprint(p.w, "\r\x1b[K")
		}
		return
	}
	if now := p.now(); now.Sub(p.reported) >= time.Second {
		if !p.reported.IsZero() && count < total {
			fmt.Fprintf(p.w, "  %s: %d/%d\n", what, count, total)
		}
		p.reported = now
	}
}

// table writes rows under a header, aligned; columns named in right stand to the right.
func (p *page) table(header []string, right string, rows [][]string) {
	widths := make([]int, len(header))
	for _, row := range append([][]string{header}, rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	p.row(header, widths, right)
	rules := make([]string, len(header))
	for i := range rules {
		rules[i] = strings.Repeat("-", widths[i])
	}
	p.row(rules, widths, right)
	for _, row := range rows {
		p.row(row, widths, right)
	}
}

// row writes one line of a table; right holds an r for each column that stands to the right.
func (p *page) row(cells []string, widths []int, right string) {
	var b strings.Builder
	for i, cell := range cells {
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		b.WriteString("  ")
		if i < len(right) && right[i] == 'r' {
			b.WriteString(pad + cell)
		} else {
			b.WriteString(cell + pad)
		}
	}
	fmt.Fprintln(p.w, strings.TrimRight(b.String(), " "))
}
