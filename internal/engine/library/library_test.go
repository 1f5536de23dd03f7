package library_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func reference(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func rows(t *testing.T, name string) [][]string {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(string(reference(t, name)))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func parse(t *testing.T, text string, unit mass.Unit) mass.Mass {
	t.Helper()
	m, err := mass.Parse(text, unit)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return m
}

// TestShippedProtocolsAreSound: each passes the checks of publishing, has a name and a digest of its own and says where it is from.
func TestShippedProtocolsAreSound(t *testing.T) {
	names, digests := map[string]bool{}, map[string]bool{}
	for _, p := range library.All() {
		if found := record.CheckProtocol(p, "protocol"); found != nil {
			t.Errorf("%s: %v", p.Name, found)
		}
		text, err := canon.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		digest := canon.DigestHex(canon.Digest(nil, text))
		if names[p.Name] || digests[digest] {
			t.Errorf("%s: twice", p.Name)
		}
		names[p.Name], digests[digest] = true, true
		// The bounds of the contract's field rules.
		if len(p.Name) > 200 || len(p.Source) > 500 || p.Repetitions < 1 || p.Repetitions > 200 {
			t.Errorf("%s: outside the contract: name %d, source %d, repetitions %d", p.Name, len(p.Name), len(p.Source), p.Repetitions)
		}
		if !strings.Contains(p.Source, "no source") && !strings.Contains(p.Source, "1988") {
			t.Errorf("%s: source %q", p.Name, p.Source)
		}
	}
	if len(names) != len(record.Zones())+8+25 {
		t.Errorf("%d protocols", len(names))
	}
}

// TestShippedDigests: a shipped protocol is immutable. A change of one is a protocol of its own and needs a new name here.
func TestShippedDigests(t *testing.T) {
	var lines []string
	for _, p := range library.All() {
		text, err := canon.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		lines = append(lines, canon.DigestHex(canon.Digest(nil, text))+"  "+p.Name)
	}
	want, err := os.ReadFile(filepath.Join("testdata", "digests.txt"))
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(lines, "\n") + "\n"; got != string(want) {
		t.Errorf("digests are\n%s", got)
	}
}

// TestValuesAreTheCallersOwn: what one caller changes, the next does not see.
func TestValuesAreTheCallersOwn(t *testing.T) {
	first := library.All()
	first[0].Steps[0].Increment, *first[0].LoadCeiling, first[0].Zones[0] = mass.Zero(), mass.Zero(), record.Pull
	second := library.All()
	if second[0].Steps[0].Increment.IsZero() || second[0].LoadCeiling.IsZero() || second[0].Zones[0] == record.Pull {
		t.Error("a caller changed what is shipped")
	}
}

// TestEachZoneHasAHouseProtocol: in the order of the zones.
func TestEachZoneHasAHouseProtocol(t *testing.T) {
	house := library.House()
	for i, z := range record.Zones() {
		if len(house) <= i || len(house[i].Zones) != 1 || house[i].Zones[0] != z {
			t.Fatalf("place %d is not that of %s", i, z)
		}
	}
}

// TestHouseScreeningLimits: those of the NHANES cardiovascular fitness procedures manual (03_screening_limits.csv, S19, read).
func TestHouseScreeningLimits(t *testing.T) {
	published := map[string]int{}
	for _, row := range rows(t, "03_screening_limits.csv") {
		if row[6] == "S19" && row[2] == ">" {
			n, err := strconv.Atoi(row[3])
			if err != nil {
				t.Fatal(err)
			}
			published[row[1]] = n
		}
	}
	want := record.ScreeningLimits{
		RestingHeartRate: published["resting heart rate"], Systolic: published["resting systolic pressure"], Diastolic: published["resting diastolic pressure"],
	}
	for _, p := range slices.Concat(library.House(), library.Beside()) {
		if *p.ScreeningLimits != want {
			t.Errorf("%s: %+v, want %+v", p.Name, *p.ScreeningLimits, want)
		}
	}
}

// TestPublishedSchedule: stage by stage, the loads of the 1988 protocol in pounds and in the printed metric series, and the lifts
// done by the end of each stage (04_progressive_lifting_schedule.csv, computed from S30 and S32).
func TestPublishedSchedule(t *testing.T) {
	checked := 0
	for _, p := range library.Progressive1988() {
		column, unit := 5, mass.Pound
		if strings.Contains(p.Name, "kg") {
			column, unit = 7, mass.Kilogram
		}
		load := p.StartLoad
		for _, row := range rows(t, "04_progressive_lifting_schedule.csv") {
			if row[0] != string(p.AppliesToSex) {
				continue
			}
			stage, err := strconv.Atoi(row[1])
			if err != nil {
				t.Fatal(err)
			}
			if want := parse(t, row[column], unit); load != want {
				t.Errorf("%s, stage %d: %s, want %s", p.Name, stage, load, want)
			}
			if lifts := strconv.Itoa(stage * p.Repetitions); lifts != row[4] {
				t.Errorf("%s, stage %d: %s lifts, want %s", p.Name, stage, lifts, row[4])
			}
			if end := strconv.Itoa(stage * p.Repetitions * 60 / p.LiftsPerMinute); end != row[3] {
				t.Errorf("%s, stage %d: ends at %s s, want %s", p.Name, stage, end, row[3])
			}
			load = load.Add(p.Steps[0].Increment)
			checked++
		}
	}
	if checked != 8*12 {
		t.Errorf("%d stages checked, want 96", checked)
	}
}

// TestPublishedNumbers: start, increment, lifts and seconds of a stage (04_progressive_lifting_protocol.json; S32 read, the lb starts
// memory confirmed by its rounding).
func TestPublishedNumbers(t *testing.T) {
	text := reference(t, "04_progressive_lifting_protocol.json")
	var loose struct {
		Primary map[string]json.RawMessage `json:"primary"`
	}
	if err := json.Unmarshal(text, &loose); err != nil {
		t.Fatal(err)
	}
	var start, increment struct{ Women, Men json.Number }
	for name, into := range map[string]any{"start_lb": &start, "increment_lb": &increment} {
		if err := json.Unmarshal(loose.Primary[name], into); err != nil {
			t.Fatal(err)
		}
	}
	var second struct {
		Secondary struct {
			Start     struct{ Women, Men json.Number } `json:"start_kg"`
			Increment struct{ Women, Men json.Number } `json:"increment_kg"`
			Lifts     int                              `json:"lifts_per_stage"`
			Seconds   int                              `json:"stage_s"`
		} `json:"secondary_metric_values"`
	}
	if err := json.Unmarshal(text, &second); err != nil {
		t.Fatal(err)
	}
	pick := func(sex record.Sex, women, men json.Number) string {
		if sex == record.Female {
			return women.String()
		}
		return men.String()
	}
	for _, p := range library.Progressive1988() {
		unit, s, i := mass.Pound, start, increment
		if strings.Contains(p.Name, "kg") {
			unit, s, i = mass.Kilogram, second.Secondary.Start, second.Secondary.Increment
		}
		if want := parse(t, pick(p.AppliesToSex, s.Women, s.Men), unit); p.StartLoad != want {
			t.Errorf("%s: start %s, want %s", p.Name, p.StartLoad, want)
		}
		if want := parse(t, pick(p.AppliesToSex, i.Women, i.Men), unit); p.Steps[0].Increment != want {
			t.Errorf("%s: increment %s, want %s", p.Name, p.Steps[0].Increment, want)
		}
		if p.Repetitions != second.Secondary.Lifts || p.Repetitions*60 != second.Secondary.Seconds*p.LiftsPerMinute {
			t.Errorf("%s: %d lifts at %d a minute", p.Name, p.Repetitions, p.LiftsPerMinute)
		}
	}
}
