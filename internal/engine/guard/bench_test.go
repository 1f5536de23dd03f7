package guard_test

import (
	"testing"
	"time"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// eightTrials are within every limit of a protocol that limits everything.
func eightTrials() []record.Trial {
	trials := make([]record.Trial, 8)
	for i := range trials {
		trials[i] = good()
		trials[i].Number, trials[i].Load = i+1, pounds(int64(5*(i+1)))
		trials[i].At, trials[i].InsertCodes, trials[i].StartHeartRate = at(2026, time.January, 1, 9+i), []string{"A5", "C12"}, ptr(90)
	}
	return trials
}

// BenchmarkLimitsForAndWork: the limits of one series and its eight trials. Everything asks for all that rules 2 know, with 40 inserts; plain
// for what rules 1 know.
func BenchmarkLimitsForAndWork(b *testing.B) {
	everything := strict()
	everything.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Gellish2007}
	everything.HeartRateStartLimit = &record.HeartRateLimit{PercentOfReserve: 50, Formula: record.Gellish2007}
	everything.PercentOfBodyMass, everything.Compression = 60, &record.CompressionLimit{CriterionNewtons: 3400}
	everything.Calibration = &record.CalibrationLimit{Days: 365}
	large := kit()
	for len(large.Inserts) < 40 {
		large.Inserts = append(large.Inserts, large.Inserts[0])
	}
	in := guard.Input{
		Protocol: &everything, Person: record.Person{AgeYears: 42, Sex: record.Male}, Screening: record.Screening{RestingHeartRate: ptr(60)},
		Body: measures(b, 1750, "180", mass.Pound), Zone: record.FloorWaist, Kit: large,
	}
	lapsed := everything
	lapsed.Calibration = &record.CalibrationLimit{Days: 30}
	plain := strict()
	for _, c := range []struct {
		name     string
		protocol *record.Protocol
	}{{"everything", &everything}, {"lapsed", &lapsed}, {"plain", &plain}} {
		b.Run(c.name, func(b *testing.B) {
			in, trials := in, eightTrials()
			in.Protocol = c.protocol
			b.ReportAllocs()
			for b.Loop() {
				l := guard.LimitsFor(in)
				for i := range trials {
					if hits := l.Work(&trials[i]); len(hits) > 1 {
						b.Fatal(hits)
					}
				}
			}
		})
	}
}
