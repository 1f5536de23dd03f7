package score_test

import (
	"time"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// source hands out numbers below n; random and fuzzed input are the same to the generator.
type source interface{ IntN(n int) int }

// byteSource reads numbers off fuzzed bytes; zeros once they are used up.
type byteSource struct{ bytes []byte }

func (s *byteSource) IntN(n int) int {
	v := 0
	for range 2 {
		if len(s.bytes) > 0 {
			v, s.bytes = v<<8|int(s.bytes[0]), s.bytes[1:]
		}
	}
	return v % n
}

func ptr[T any](v T) *T { return &v }

// sometimes is nil one time in n.
func sometimes[T any](s source, n int, v T) *T {
	if s.IntN(n) == 0 {
		return nil
	}
	return &v
}

func pick[T any](s source, from []T) T { return from[s.IntN(len(from))] }

var (
	symptoms = []record.Symptom{record.SymptomChestPain, record.SymptomDizziness, record.SymptomOther, record.SymptomNumbnessOrWeakness}
	signs    = []record.SignKind{record.SignTwist, record.SignHeelRise, record.SignMomentum, record.SignTrunkLean, record.SignLoweringControl}
	stops    = []record.Stop{"", record.StopVolitional, record.StopAdministrative, record.StopCeiling, record.StopSymptom}
	formulae = []record.HeartRateFormula{"", record.Fox1971, record.Tanaka2001}
)

// load is a whole number of thousandths of a pound up to 130 lb, often exactly on a bound of the levels; fuzzed input may have none.
func load(s source) mass.Mass {
	milli := int64(s.IntN(130_000))
	if s.IntN(3) == 0 {
		milli = pick(s, []int64{10_000, 20_000, 25_000, 50_000, 100_000})
	}
	return mass.FromUnits(milli * 45_359_237)
}

func trial(s source, n int) record.Trial {
	t := record.Trial{
		Number: n, At: record.TimeOf(time.Unix(int64(n)*120, 0)), Load: load(s), Repetitions: 1 + s.IntN(5),
		HeartRate: sometimes(s, 8, 60+s.IntN(130)), Effort: sometimes(s, 8, record.Effort(s.IntN(21))),
		Sustainable: sometimes(s, 8, s.IntN(6) > 0), MorePossible: sometimes(s, 3, s.IntN(4) > 0), Blinded: s.IntN(5) == 0,
	}
	if s.IntN(10) == 0 {
		t.ClosedReason = "interrupted"
	}
	for range s.IntN(4) {
		t.Signs = append(t.Signs, record.MechanicsSign{Sign: pick(s, signs), Grade: s.IntN(4)})
	}
	if s.IntN(8) == 0 {
		for range 1 + s.IntN(3) {
			t.Symptoms = append(t.Symptoms, pick(s, symptoms))
		}
	}
	return t
}

func protocol(s source, pace record.Pace) record.Protocol {
	p := record.Protocol{
		Pace: pace, Repetitions: 1 + s.IntN(4), EffortStop: record.Effort(2 + s.IntN(19)), LoadCeiling: sometimes(s, 2, load(s)),
		RequiresHeartRate: s.IntN(2) == 0, RequiresEffortRating: s.IntN(2) == 0,
	}
	switch s.IntN(4) {
	case 0:
		p.HeartRateLimit = &record.HeartRateLimit{BPM: 60 + s.IntN(160)}
	case 1:
		p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 40 + s.IntN(61), Formula: pick(s, formulae)}
	case 2:
		p.HeartRateLimit = &record.HeartRateLimit{PercentOfReserve: 20 + s.IntN(81), Formula: pick(s, formulae)}
	}
	return p
}

// input makes a session of up to six series with up to eight trials each, a protocol for each series, and a job or none.
func input(s source) score.Input {
	in := score.Input{
		Session:         record.Session{ID: "01950000-0000-7000-8000-000000000001"},
		SessionRevision: 1, Person: record.Person{AgeYears: s.IntN(90)}, Protocols: map[string]record.Protocol{}, JobRevision: 1,
	}
	in.Session.Screening.RateLimitingDrug = s.IntN(6) == 0
	in.Session.Screening.RestingHeartRate = sometimes(s, 4, 40+s.IntN(60))
	for n := range 1 + s.IntN(6) {
		series := record.Series{Number: n + 1, Zone: pick(s, record.Zones()), Pace: pick(s, record.Paces()), Stop: pick(s, stops)}
		series.ProtocolDigest = string(rune('a' + n))
		in.Protocols[series.ProtocolDigest] = protocol(s, series.Pace)
		for k := range 1 + s.IntN(8) {
			series.Trials = append(series.Trials, trial(s, k+1))
		}
		in.Session.Series = append(in.Session.Series, series)
	}
	if s.IntN(2) == 0 {
		in.Job = &record.JobProfile{ID: "01950000-0000-7000-8000-000000000002", Title: "Invented"}
		for range s.IntN(4) {
			in.Job.Tasks = append(in.Job.Tasks, record.JobTask{Name: "Task", Zone: pick(s, record.Zones()), Pace: pick(s, record.Paces()), Load: load(s)})
		}
	}
	further(s, &in)
	return in
}
