package score_test

import (
	"testing"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// sixByEight is a full day: six series of eight trials whose effort and heart rate rise with the load, two ended by effort, two by heart
// rate, two by will, and a job of four tasks.
func sixByEight() score.Input {
	in := score.Input{
		Session:         record.Session{ID: "01950000-0000-7000-8000-000000000001", Screening: record.Screening{RestingHeartRate: ptr(68)}},
		SessionRevision: 1, Person: record.Person{AgeYears: 42, Sex: record.Male}, JobRevision: 1,
		Protocols: map[string]record.Protocol{"a": {
			Pace: record.Occasional, Repetitions: 4, EffortStop: 16, RequiresHeartRate: true, RequiresEffortRating: true,
			HeartRateLimit: &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Tanaka2001},
		}},
		Job: &record.JobProfile{ID: "01950000-0000-7000-8000-000000000002", Title: "Stock handler (invented)"},
	}
	for n := range 6 {
		s := record.Series{Number: n + 1, Zone: record.Zones()[n], Pace: record.Occasional, ProtocolDigest: "a"}
		for k := range 8 {
			last := k == 7
			t := record.Trial{
				Number: k + 1, Load: mass.FromUnits(int64(k+1) * 10 * 45_359_237_000), Repetitions: 4, HeartRate: ptr(90 + 7*k),
				Effort: ptr(record.Effort(2 * k)), Sustainable: ptr(true), MorePossible: ptr(!last || n%3 != 0),
				Signs: []record.MechanicsSign{{Sign: record.SignTrunkLean, Grade: k / 4}},
			}
			if last && n%3 == 1 {
				t.Effort = ptr(record.Effort(17))
			}
			if last && n%3 == 2 {
				t.HeartRate = ptr(170)
			}
			s.Trials = append(s.Trials, t)
		}
		in.Session.Series = append(in.Session.Series, s)
	}
	for _, z := range record.Zones()[:4] {
		in.Job.Tasks = append(in.Job.Tasks, record.JobTask{Name: "Move in " + string(z), Zone: z, Pace: record.Occasional, Load: mass.FromUnits(50 * 45_359_237_000)})
	}
	return in
}

func BenchmarkScore(b *testing.B) {
	in := sixByEight()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := score.Score(in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCanonicalFinding(b *testing.B) {
	f, text := scored(b, sixByEight())
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := record.CanonicalFinding(f); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCanonMarshalFinding(b *testing.B) {
	f, text := scored(b, sixByEight())
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := canon.Marshal(f); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCanonicalSession writes the session's header: its series without their trials.
func BenchmarkCanonicalSession(b *testing.B) {
	header := sixByEight().Session
	for i := range header.Series {
		header.Series[i].Trials = nil
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := record.CanonicalSession(header); err != nil {
			b.Fatal(err)
		}
	}
}
