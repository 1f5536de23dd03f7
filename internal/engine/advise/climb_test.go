package advise_test

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// TestPublishedClimb: a woman and a man whose trials are all accepted are led through the stages of the 1988 protocol, load by load
// (04_progressive_lifting_schedule.csv, computed from S30 and S32).
func TestPublishedClimb(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", "04_progressive_lifting_schedule.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range library.Progressive1988() {
		column, unit := 5, mass.Pound
		if strings.Contains(p.Name, "kg") {
			column, unit = 7, mass.Kilogram
		}
		in := advise.Input{
			Protocol: p, Person: advise.Person{AgeYears: 30, Sex: p.AppliesToSex, BodyMass: ptr(pounds(250))},
			Series: record.Series{Zone: record.FloorWaist, Pace: p.Pace}, Now: at(60),
		}
		for _, row := range rows[1:] {
			if row[0] != string(p.AppliesToSex) {
				continue
			}
			load, err := mass.Parse(row[column], unit)
			if err != nil {
				t.Fatal(err)
			}
			stage, err := strconv.Atoi(row[1])
			if err != nil {
				t.Fatal(err)
			}
			a := advise.Advise(&in)
			if a.Load == nil || *a.Load != load || a.Action != advise.Advance && (stage != 1 || a.Action != advise.Start) {
				t.Fatalf("%s, stage %d: %s %v, want %s", p.Name, stage, a.Action, a.Load, load)
			}
			trial := sound(stage, 0)
			trial.Load = load
			in.Series.Trials = append(in.Series.Trials, trial)
		}
		if len(in.Series.Trials) != 12 {
			t.Errorf("%s: %d stages", p.Name, len(in.Series.Trials))
		}
	}
}
