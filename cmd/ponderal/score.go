package main

import (
	"context"
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/demo"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

func scoreCommand() command {
	return command{
		name:      "score",
		arguments: "FILE",
		about:     "Score a session document at a desk, without a database or a network.",
		detail: `FILE is the API's own request as JSON (ScoreSessionRequest: session, age, protocols, and where there are some the job
profile and the kits); "-" reads standard input. The rules are those of the service. What is wrong is named by field and
rule. The finding supports a licensed clinician's judgement and does not replace it. Exit status 0 when it was scored, 1
when not.`,
		examples: []string{
			"ponderal score testdata/examples/session.json", "ponderal score -json - < session.json",
			"ponderal score -rules 1 session.json   # as an earlier finding was made",
		},
		run: runScore,
	}
}

func runScore(_ context.Context, w world, f *flags) error {
	rules := f.String("rules", "", "`version` of the engine's rules, in place of what the file says; the newest where neither says any")
	score := func(d *rpc.Desk, text []byte) (deskwork.Scored, []byte, error) { return d.ScoreSessionBy(text, *rules) }
	return runDesk(w, f, score, writeScored)
}

// writeScored writes what matters first: what it comes to, then what it rests on.
func writeScored(out io.Writer, s deskwork.Scored) {
	f := s.Finding
	fmt.Fprintf(out, "Session %s, scored by engine rules %s. Nothing was stored.\n", f.SessionID, f.Engine)
	if !f.Complete {
		fmt.Fprintln(out, "The session is not complete: a series has not been brought to an end. See the remarks.")
	}
	writeOutcome(out, f.Job)
	writeWorkLimits(out, f.Limits)
	writeScreening(out, f.Screening)
	writeCapacities(out, f)
	writeReached(out, f)
	writeMechanics(out, f)
	writeCeilings(out, f)
	writeAerobic(out, f)
	writeProjected(out, f.Projected)
	writeLevels(out, f.Zones, f.Overall)
	writeJob(out, f.Job)
	writeHandStrengths(out, f.Hands)
	writePositions(out, f.Positions)
	writeConsistency(out, f.Consistency)
	writeNotes(out, "Remarks", f.Remarks)
	writeNotes(out, "Cautions", s.Cautions)
}

// heading begins a section.
func heading(out io.Writer, text string) {
	fmt.Fprintln(out)
	paragraph(out, "", text)
	fmt.Fprintln(out)
}

// section writes a table of a section that has rows; the first is the header.
func section(out io.Writer, title string, rows [][]string) {
	if len(rows) > 1 {
		heading(out, title)
		writeTable(out, rows)
	}
}

// point is one item of a list.
func point(out io.Writer, format string, args ...any) {
	demo.Paragraph(out, "  - ", "    ", fmt.Sprintf(format, args...))
}

func writeWorkLimits(out io.Writer, limits []record.WorkLimit) {
	if len(limits) == 0 {
		return
	}
	heading(out, "What the person can do")
	for _, l := range limits {
		point(out, "%s", l.Text)
	}
}

func writeScreening(out io.Writer, s *record.ScreeningFinding) {
	if s == nil {
		return
	}
	fmt.Fprintf(out, "\nScreening before the tests: %s\n", words(s.Status))
	for _, g := range s.Guards {
		point(out, "%s: %s, limit %s", words(g.Guard), dash(g.Measured), dash(g.Limit))
	}
	for _, m := range s.Missing {
		point(out, "not measured: %s", m)
	}
}

func writeCapacities(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "zone", "pace", "capacity", "bracket to", "ended by", "accepted"}}
	for _, c := range f.Capacities {
		rows = append(rows, []string{
			strconv.Itoa(c.SeriesNumber), zoneText(c.Zone), words(c.Pace), massText(c.Load), massText(c.BracketTo), words(c.EndReason),
			fmt.Sprintf("%d/%d", c.AcceptedTrials, c.TotalTrials),
		})
	}
	section(out, "Capacities, measured", rows)
}

// writeReached lists each limit that a trial did not respect.
func writeReached(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "trial", "status", "limit reached", "measured", "limit"}}
	for _, c := range f.Capacities {
		for _, t := range c.Trials {
			for _, g := range t.Guards {
				rows = append(rows, []string{strconv.Itoa(c.SeriesNumber), strconv.Itoa(t.Number), words(t.Status), words(g.Guard), dash(g.Measured), dash(g.Limit)})
			}
		}
	}
	section(out, "Limits that trials reached", rows)
}

func writeLevels(out io.Writer, zones []record.ZoneStrength, overall *record.ZoneStrength) {
	rows := [][]string{{"zone", "strength level", "works within", "limited by", "basis"}}
	for _, z := range zones {
		rows = append(rows, levelRow(zoneText(z.Zone), z))
	}
	if overall != nil {
		rows = append(rows, levelRow("overall", *overall))
	}
	section(out, "Strength levels (Dictionary of Occupational Titles, Appendix C)", rows)
}

func levelRow(name string, z record.ZoneStrength) []string {
	within, limited := "-", "-"
	if z.WithinUpTo != nil {
		within = words(z.Within) + ", up to " + massText(z.WithinUpTo)
	}
	if z.LimitingSeries != 0 {
		limited = fmt.Sprintf("series %d, %s pace", z.LimitingSeries, z.LimitingPace)
	}
	return []string{name, words(z.Level), within, limited, words(z.Basis)}
}
