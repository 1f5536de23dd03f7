package advise_test

import (
	"testing"

	"ponderal.example/internal/engine/advise"
	"ponderal.example/internal/engine/library"
	"ponderal.example/internal/record"
)

// usual is before the ninth trial of a series under a house protocol with every kind of ceiling, with a kit of 24 inserts.
func usual() advise.Input {
	in := advise.Input{
		Protocol: library.House()[0], Person: advise.Person{AgeYears: 42, Sex: record.Male, BodyMass: ptr(pounds(160)), StatureMM: 1650},
		Screening: record.Screening{RestingHeartRate: ptr(68), Systolic: ptr(124), Diastolic: ptr(80)},
		Kit:       &record.Kit{Tote: record.Piece{Code: "T", Mass: pounds(5), VerifiedOn: "2026-01-02"}},
		Series:    record.Series{Zone: record.FloorWaist, Pace: record.Occasional}, Now: at(40), RestSeconds: ptr(90), HeartRate: ptr(100),
	}
	in.Protocol.PercentOfBodyMass, in.Protocol.Compression = 60, &record.CompressionLimit{CriterionNewtons: 3400}
	for i := range 24 {
		in.Kit.Inserts = append(in.Kit.Inserts, record.Piece{Code: "A" + string(rune('A'+i)), Mass: pounds(int64(i + 1)), VerifiedOn: "2026-01-02"})
	}
	for i := range 8 {
		trial := sound(i+1, int64(i+1)*10)
		trial.Effort, trial.HeartRate = ptr(record.Effort(2*i)), ptr(90+5*i)
		in.Series.Trials = append(in.Series.Trials, trial)
	}
	return in
}

// BenchmarkAdviseHouse: under a house protocol as it is shipped.
func BenchmarkAdviseHouse(b *testing.B) {
	in := usual()
	in.Protocol = library.House()[0]
	b.ReportAllocs()
	for b.Loop() {
		advise.Advise(&in)
	}
}

// BenchmarkAdvise: budget 2 microseconds.
func BenchmarkAdvise(b *testing.B) {
	in := usual()
	if a := advise.Advise(&in); a.Action != advise.Advance {
		b.Fatalf("%+v", a)
	}
	b.ReportAllocs()
	for b.Loop() {
		advise.Advise(&in)
	}
}
