package library_test

import (
	"strings"
	"testing"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/record"
)

// TestBesideTellsWhatItIs: the name says the unit, the pace and whether a ceiling needs stature and body mass; each has the heart-rate limits,
// and none claims an error of measurement, because no published one is of this test.
func TestBesideTellsWhatItIs(t *testing.T) {
	for _, p := range library.Beside() {
		zone := p.Zones[0]
		if got := p.Compression != nil; got != strings.HasSuffix(p.Name, ", with ceilings") || got && !zone.Lifting() {
			t.Errorf("%s: compression %v", p.Name, p.Compression)
		}
		// 3400 N: NIOSH 81-122 (1981: 350 kg) and Waters et al. 1993.
		if c := p.Compression; c != nil && (c.CriterionNewtons != body.ActionLimit1981 || !strings.Contains(p.Source, "no safe limit")) {
			t.Errorf("%s: %+v, %s", p.Name, c, p.Source)
		}
		if p.HeartRateLimit == nil || p.HeartRateStartLimit == nil || !p.RequiresHeartRate || p.CapacityError != nil || p.Calibration == nil && zone.Lifting() {
			t.Errorf("%s: %+v", p.Name, p)
		}
		if (p.Pace == record.Frequent) != strings.Contains(p.Name, ", frequent") {
			t.Errorf("%s: pace %s", p.Name, p.Pace)
		}
		if p.Pace == record.Frequent && (p.Repetitions != p.LiftsPerMinute*p.Minutes || p.Minutes == 0 || !strings.Contains(p.Source, "steady heart rate")) {
			t.Errorf("%s: %d repetitions, %d a minute, %d minutes", p.Name, p.Repetitions, p.LiftsPerMinute, p.Minutes)
		}
		if !strings.Contains(p.Source, "starting point for the responsible clinician") {
			t.Errorf("%s: %s", p.Name, p.Source)
		}
	}
}

// TestTwinsInKilograms: every load of a protocol in kilograms is a whole number of 1.25 kg or the ceiling, and none is above that of the
// twin in pounds for a ceiling; the ceilings at the pace frequent are at most half of those at the pace occasional.
func TestTwinsInKilograms(t *testing.T) {
	byName := map[string]record.Protocol{}
	for _, p := range library.All() {
		byName[p.Name] = p
	}
	twins, halves := 0, 0
	for name, p := range byName {
		if pounds, ok := byName[strings.Replace(name, ", kilograms", "", 1)]; ok && strings.Contains(name, ", kilograms") {
			twins++
			if pounds.LoadCeiling.Less(*p.LoadCeiling) || len(p.Steps) != len(pounds.Steps) || p.Repetitions != pounds.Repetitions {
				t.Errorf("%s: ceiling %s, in pounds %s", name, p.LoadCeiling, pounds.LoadCeiling)
			}
			for _, step := range p.Steps {
				if step.Increment.Units()%125_000_000_000 != 0 || p.StartLoad.Units()%125_000_000_000 != 0 {
					t.Errorf("%s: %s from %s", name, step.Increment, p.StartLoad)
				}
			}
		}
		if seldom, ok := byName[strings.Replace(name, ", frequent", ", occasional", 1)]; ok && p.Pace == record.Frequent {
			halves++
			if seldom.LoadCeiling.Less(p.LoadCeiling.Add(*p.LoadCeiling)) {
				t.Errorf("%s: ceiling %s, occasional %s", name, p.LoadCeiling, seldom.LoadCeiling)
			}
		}
	}
	if twins != 7+4+5 || halves != 10 {
		t.Errorf("%d twins, %d of the pace frequent", twins, halves)
	}
}
