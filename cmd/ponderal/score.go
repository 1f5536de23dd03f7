package main

import (
	"context"
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/record"
	"ponderal.example/internal/rpc"
)

func scoreCommand() command {
	return command{
		name:      "score",
		arguments: "FILE",
		about:     "Score a session document at a desk, without a database or a network.",
		detail: `FILE is the API's own request as JSON (ScoreSessionRequest: session, age, protocols, and where there is one the job
profile); "-" reads standard input. The rules are those of the service. What is wrong is named by field and rule. The
finding supports a licensed clinician's judgement and does not replace it. Exit status 0 when it was scored, 1 when not.`,
		examples: []string{"ponderal score testdata/examples/session.json", "ponderal score -json - < session.json"},
		run:      runScore,
	}
}

func runScore(_ context.Context, w world, f *flags) error {
	return runDesk(w, f, (*rpc.Desk).ScoreSession, writeScored)
}

func writeScored(out io.Writer, s deskwork.Scored) {
	f := s.Finding
	fmt.Fprintf(out, "Session %s, scored by engine rules %s. Nothing was stored.\n\n", f.SessionID, f.Engine)
	writeCapacities(out, f)
	writeReached(out, f)
	writeLevels(out, f.Zones, f.Overall)
	if f.Job != nil {
		writeJob(out, f.Job)
	}
	writeNotes(out, "Remarks", f.Remarks)
	writeNotes(out, "Cautions", s.Cautions)
}

func writeCapacities(out io.Writer, f record.Finding) {
	rows := [][]string{{"series", "zone", "pace", "capacity", "bracket to", "ended by", "accepted"}}
	for _, c := range f.Capacities {
		rows = append(rows, []string{
			strconv.Itoa(c.SeriesNumber), zoneText(c.Zone), words(c.Pace), massText(c.Load), massText(c.BracketTo), words(c.EndReason),
			fmt.Sprintf("%d/%d", c.AcceptedTrials, c.TotalTrials),
		})
	}
	writeTable(out, rows)
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
	if len(rows) > 1 {
		fmt.Fprintln(out)
		writeTable(out, rows)
	}
}

func writeLevels(out io.Writer, zones []record.ZoneStrength, overall *record.ZoneStrength) {
	rows := [][]string{{"zone", "strength level", "works within", "limited by"}}
	for _, z := range zones {
		rows = append(rows, levelRow(zoneText(z.Zone), z))
	}
	if overall != nil {
		rows = append(rows, levelRow("overall", *overall))
	}
	if len(rows) > 1 {
		fmt.Fprintln(out)
		writeTable(out, rows)
	}
}

func levelRow(name string, z record.ZoneStrength) []string {
	within, limited := "-", "-"
	if z.WithinUpTo != nil {
		within = words(z.Within) + ", up to " + massText(z.WithinUpTo)
	}
	if z.LimitingSeries != 0 {
		limited = fmt.Sprintf("series %d, %s pace", z.LimitingSeries, z.LimitingPace)
	}
	return []string{name, words(z.Level), within, limited}
}

func writeJob(out io.Writer, j *record.JobMatch) {
	fmt.Fprintf(out, "\nJob: %s, strength level %s\n\n", j.Title, words(j.Demand))
	rows := [][]string{{"task", "zone", "pace", "demand", "capacity", "verdict"}}
	for _, t := range j.Tasks {
		verdict := words(t.Verdict)
		if t.ShortBy != nil {
			verdict += " by " + massText(t.ShortBy)
		}
		rows = append(rows, []string{t.Task, zoneText(t.Zone), words(t.Pace), massText(&t.Demand), massText(t.Capacity), verdict})
	}
	writeTable(out, rows)
	fmt.Fprintf(out, "\nRecommendation, for the reviewer to decide: %s\n", words(j.Outcome))
	for _, m := range j.Missing {
		fmt.Fprintf(out, "  missing: %s\n", m)
	}
}
