package main

import (
	"fmt"
	"io"
	"strconv"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// writeOutcome is the recommendation with what it rests on.
func writeOutcome(out io.Writer, j *record.JobMatch) {
	if j == nil {
		return
	}
	fmt.Fprintf(out, "\nRecommendation, for the reviewer to decide: %s\n", words(j.Outcome))
	if len(j.RestsOn) > 0 {
		fmt.Fprintln(out, "  It rests on")
	}
	for _, r := range j.RestsOn {
		point(out, "%s", r)
	}
	for _, m := range j.Missing {
		paragraph(out, "  missing: ", m)
	}
}

func writeJob(out io.Writer, j *record.JobMatch) {
	if j == nil {
		return
	}
	title := "Job: " + j.Title
	if j.Demand != "" {
		title += ", strength level " + words(j.Demand)
	}
	if len(j.Tasks)+len(j.Hands)+len(j.Positions) == 0 {
		fmt.Fprintf(out, "\n%s\n", title)
	}
	section(out, title, taskRows(j.Tasks))
	if len(j.Tasks) > 0 {
		title = "The job's positions"
	}
	section(out, title, positionRows(j.Positions))
	if len(j.Tasks)+len(j.Positions) > 0 {
		title = "The job's demands of the hands"
	}
	section(out, title, handRows(j.Hands))
}

func taskRows(tasks []record.TaskMatch) [][]string {
	rows := [][]string{{"task", "zone", "pace", "demand", "capacity", "verdict"}}
	for _, t := range tasks {
		held := massText(t.Capacity)
		if t.Basis == record.Projected {
			held += ", projected"
		}
		rows = append(rows, []string{t.Task, zoneText(t.Zone), words(t.Pace), massText(&t.Demand), held, verdictText(t.Verdict, t.ShortBy, t.MeasurementError)})
	}
	return rows
}

// verdictText is a verdict with its figures. The error of the measurement stands beside a shortfall, which is where it can turn a verdict.
func verdictText(v record.Verdict, short, measurementError *mass.Mass) string {
	if short == nil {
		return words(v)
	}
	text := "short by " + massText(short)
	switch {
	case v == record.TaskWithinError:
		text += ", within the error of " + massText(measurementError)
	case measurementError != nil:
		text += ", beyond the error of " + massText(measurementError)
	}
	return text
}

func positionRows(list []record.PositionMatch) [][]string {
	rows := [][]string{{"position", "demand", "tolerated", "verdict", "series"}}
	for _, p := range list {
		rows = append(rows, []string{words(p.Position), words(p.Demand), words(p.Tolerance), words(p.Verdict), seriesText(p.SeriesNumber)})
	}
	return rows
}

func handRows(list []record.HandMatch) [][]string {
	rows := [][]string{{"demand", "measure", "hand", "force", "strength", "verdict", "series"}}
	for _, h := range list {
		rows = append(rows, []string{
			h.Name, words(h.Measure), words(h.Hand), massText(&h.Demand), massText(h.Strength), verdictText(h.Verdict, h.ShortBy, nil), seriesText(h.SeriesNumber),
		})
	}
	return rows
}

func seriesText(number int) string {
	if number == 0 {
		return "-"
	}
	return strconv.Itoa(number)
}
