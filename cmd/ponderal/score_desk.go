package main

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"ponderal.example/internal/demo"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

// runDesk answers the request in a file: a table for people, or the service's own answer on one line for programs.
func runDesk[T any](w world, f *flags, answer func(*rpc.Desk, []byte) (T, []byte, error), write func(io.Writer, T)) error {
	asJSON := f.Bool("json", false, "write the service's answer as JSON, on one line")
	if err := f.read(1, 1); err != nil {
		return err
	}
	text, err := readInput(w, f.Arg(0))
	if err != nil {
		return err
	}
	desk, err := rpc.NewDesk()
	if err != nil {
		return err
	}
	got, line, err := answer(desk, text)
	if err != nil {
		name := f.Arg(0)
		if name == "-" {
			name = "standard input"
		}
		return refusal(name, err)
	}
	if *asJSON {
		_, err := fmt.Fprintf(w.stdout, "%s\n", line)
		return err
	}
	var page strings.Builder
	write(&page, got)
	_, err = io.WriteString(w.stdout, page.String())
	return err
}

// refusal says every broken rule of a file, one a line.
func refusal(name string, err error) error {
	var broken *fault.Error
	if !errors.As(err, &broken) || len(broken.Violations) == 0 {
		return fmt.Errorf("%s: %w", name, err)
	}
	var b strings.Builder
	rules := "1 rule"
	if n := len(broken.Violations); n != 1 {
		rules = strconv.Itoa(n) + " rules"
	}
	fmt.Fprintf(&b, "%s breaks %s; nothing was computed:", name, rules)
	for _, v := range broken.Violations {
		fmt.Fprintf(&b, "\n  %s: %s [%s]", v.Field, v.Text, v.Rule)
	}
	return errors.New(b.String())
}

func writeNotes(out io.Writer, title string, notes []record.Remark) {
	if len(notes) == 0 {
		return
	}
	heading(out, title)
	for _, n := range notes {
		demo.Paragraph(out, "  - ", "    ", n.Text)
	}
}

// paragraph writes a text under its beginning, indented as that is.
func paragraph(out io.Writer, first, text string) {
	demo.Paragraph(out, first, strings.Repeat(" ", len(first)-len(strings.TrimLeft(first, " "))), text)
}

// words is a record's word for a reader: does_not_meet is does not meet.
func words[W ~string](word W) string { return dash(strings.ReplaceAll(string(word), "_", " ")) }

// zoneText is a zone for a reader: floor_waist is floor-waist.
func zoneText(z record.Zone) string { return strings.ReplaceAll(string(z), "_", "-") }

func dash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// massText is a mass exactly, with the other unit rounded beside it.
func massText(m *mass.Mass) string {
	if m == nil {
		return "-"
	}
	other := mass.Kilogram
	if _, unit := m.Canonical(); unit == mass.Kilogram {
		other = mass.Pound
	}
	return fmt.Sprintf("%s (%s %s)", m, m.Rounded(other, 1), other)
}
