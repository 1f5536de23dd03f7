package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// pageWidth is how many columns a page for people has.
const pageWidth = 100

// narrowest is below which no column is made to fit a page.
const narrowest = 9

// writeTable writes rows in columns under the first, which is the header. Where the page is too narrow the widest columns are wrapped.
func writeTable(out io.Writer, rows [][]string) {
	widths := columnWidths(rows)
	for i, row := range rows {
		writeRow(out, row, widths)
		if i == 0 {
			rules := make([]string, len(row))
			for j := range row {
				rules[j] = strings.Repeat("-", utf8.RuneCountInString(row[j]))
			}
			writeRow(out, rules, widths)
		}
	}
}

// columnWidths are those of the longest cells, taken from the widest until the page holds them: two blanks stand before each column.
func columnWidths(rows [][]string) []int {
	var widths []int
	for _, row := range rows {
		for j, cell := range row {
			if j == len(widths) {
				widths = append(widths, 0)
			}
			widths[j] = max(widths[j], utf8.RuneCountInString(cell))
		}
	}
	for {
		total, widest := 0, 0
		for j, w := range widths {
			total += 2 + w
			if w > widths[widest] {
				widest = j
			}
		}
		if total <= pageWidth || widths[widest] <= narrowest {
			return widths
		}
		widths[widest]--
	}
}

func writeRow(out io.Writer, row []string, widths []int) {
	lines := 1
	cells := make([][]string, len(row))
	for j, cell := range row {
		cells[j] = wrapped(cell, widths[j])
		lines = max(lines, len(cells[j]))
	}
	for i := range lines {
		var line strings.Builder
		for j := range cells {
			text := ""
			if i < len(cells[j]) {
				text = cells[j][i]
			}
			line.WriteString("  " + text + strings.Repeat(" ", max(0, widths[j]-utf8.RuneCountInString(text))))
		}
		fmt.Fprintln(out, strings.TrimRight(line.String(), " "))
	}
}

// wrapped breaks a text between words into lines of at most so many columns; a longer word stays whole.
func wrapped(text string, width int) []string {
	if utf8.RuneCountInString(text) <= width {
		return []string{text}
	}
	var lines []string
	for _, word := range strings.Fields(text) {
		last := len(lines) - 1
		if last >= 0 && utf8.RuneCountInString(lines[last])+1+utf8.RuneCountInString(word) <= width {
			lines[last] += " " + word
			continue
		}
		lines = append(lines, word)
	}
	return lines
}
