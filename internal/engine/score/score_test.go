package score_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const rounds = 800

// each runs a property over generated sessions.
func each(t *testing.T, property func(t *testing.T, r *rand.Rand, in score.Input)) {
	t.Helper()
	for seed := range uint64(rounds) {
		r := rand.New(rand.NewPCG(seed, 7))
		property(t, r, input(r))
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

func scored(t testing.TB, in score.Input) (record.Finding, []byte) {
	t.Helper()
	f, err := score.Score(in)
	if err != nil {
		t.Fatal(err)
	}
	text, err := record.CanonicalFinding(f)
	if err != nil {
		t.Fatal(err)
	}
	return f, text
}

// TestUnknownProtocol: the error names the series' place in the input and the digest; with the protocol there is none.
func TestUnknownProtocol(t *testing.T) {
	in := score.Input{
		Session: record.Session{Series: []record.Series{
			{Number: 1, Zone: record.Carry, Pace: record.Occasional, ProtocolDigest: "aa"},
			{Number: 2, Zone: record.Carry, Pace: record.Occasional, ProtocolDigest: "bb"},
		}},
		Protocols: map[string]record.Protocol{"aa": {}},
	}
	_, err := score.Score(in)
	var f *fault.Error
	if !errors.As(err, &f) || f.Kind != fault.Invalid || f.Reason != "PROTOCOL_UNKNOWN" || !strings.Contains(f.Text, `"bb"`) {
		t.Fatalf("got %v", err)
	}
	want := []fault.Violation{{Field: "session.series[1].protocol_digest", Rule: "protocol.published", Text: f.Text}}
	if diff := cmp.Diff(want, f.Violations); diff != "" {
		t.Errorf("violations (-want +got):\n%s", diff)
	}
	in.Protocols["bb"] = record.Protocol{}
	if _, err := score.Score(in); err != nil {
		t.Errorf("with the protocol: %v", err)
	}
}

// TestEmptySession: a session without series has a finding without capacities, not a missing one.
func TestEmptySession(t *testing.T) {
	for rules, want := range map[string]string{
		"1": `{"capacities":[],"complete":true,"engine":"1","session_id":"s","session_revision":3,"zones":[]}`,
		"2": `{"capacities":[],"complete":true,"engine":"2","screening":{"status":"not_limited"},"session_id":"s","session_revision":3,"zones":[]}`,
	} {
		f, text := scored(t, score.Input{Rules: rules, Session: record.Session{ID: "s"}, SessionRevision: 3})
		if string(text) != want || f.Overall != nil {
			t.Errorf("got  %s\nwant %s", text, want)
		}
	}
}

// TestTwiceTheSame: scoring again gives the same bytes, leaves the input alone, and canon.Marshal agrees with the direct encoder.
func TestTwiceTheSame(t *testing.T) {
	each(t, func(t *testing.T, _ *rand.Rand, in score.Input) {
		before, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		f, first := scored(t, in)
		_, second := scored(t, in)
		if !bytes.Equal(first, second) {
			t.Errorf("first  %s\nsecond %s", first, second)
		}
		general, err := canon.Marshal(f)
		if err != nil || !bytes.Equal(first, general) {
			t.Errorf("direct  %s\ngeneral %s, %v", first, general, err)
		}
		if after, err := json.Marshal(in); err != nil || !bytes.Equal(before, after) {
			t.Errorf("the input was changed (%v)", err)
		}
	})
}

// TestOrderDoesNotMatter: series, trials, signs and symptoms in another order give the same finding.
func TestOrderDoesNotMatter(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, in score.Input) {
		_, want := scored(t, in)
		shuffle(r, in.Session.Series)
		for i := range in.Session.Series {
			trials := in.Session.Series[i].Trials
			shuffle(r, trials)
			for k := range trials {
				shuffle(r, trials[k].Signs)
				shuffle(r, trials[k].Symptoms)
				shuffle(r, trials[k].InsertCodes)
			}
		}
		shuffle(r, in.Session.HandSeries)
		for i := range in.Session.HandSeries {
			shuffle(r, in.Session.HandSeries[i].Trials)
		}
		shuffle(r, in.Session.PositionSeries)
		for i := range in.Session.PositionSeries {
			shuffle(r, in.Session.PositionSeries[i].Bouts)
		}
		shuffle(r, in.Session.Screening.Symptoms)
		if _, got := scored(t, in); !bytes.Equal(got, want) {
			t.Errorf("shuffled %s\nin order %s", got, want)
		}
	})
}

func shuffle[T any](r *rand.Rand, list []T) {
	r.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
}

// TestUnitsDoNotMatter: the same session read from JSON in pounds and in kilograms gives the same bytes (1 lb = 0.45359237 kg exactly,
// international yard and pound agreement, 1959).
func TestUnitsDoNotMatter(t *testing.T) {
	each(t, func(t *testing.T, _ *rand.Rand, in score.Input) {
		var bodies [2][]byte
		for i, unit := range []mass.Unit{mass.Pound, mass.Kilogram} {
			_, bodies[i] = scored(t, reread(t, in, unit))
		}
		if !bytes.Equal(bodies[0], bodies[1]) {
			t.Errorf("lb %s\nkg %s", bodies[0], bodies[1])
		}
	})
}

// reread writes the whole input with every mass spelled in one unit and reads it again.
func reread(t *testing.T, in score.Input, unit mass.Unit) score.Input {
	t.Helper()
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	respell(t, doc, unit)
	if text, err = json.Marshal(doc); err != nil {
		t.Fatal(err)
	}
	var again score.Input
	if err := json.Unmarshal(text, &again); err != nil {
		t.Fatal(err)
	}
	return again
}

func respell(t *testing.T, v any, unit mass.Unit) {
	t.Helper()
	switch v := v.(type) {
	case []any:
		for _, x := range v {
			respell(t, x, unit)
		}
	case map[string]any:
		was, isMass := v["unit"].(string)
		if isMass && v["value"] != nil {
			m, err := mass.Parse(v["value"].(string), mass.Unit(was))
			if err != nil {
				t.Fatal(err)
			}
			value, exact := m.In(unit)
			if !exact {
				t.Fatalf("%s has no exact spelling in %s", m, unit)
			}
			v["unit"], v["value"] = string(unit), value
			return
		}
		for _, x := range v {
			respell(t, x, unit)
		}
	}
}

// TestStricterNeverRaises: a lower heart-rate limit, a lower effort stop, a lower ceiling of any kind, more repetitions, one more required
// measurement, a stop at grade 2, a limit for the start of a trial or for a calibration: none raises the capacity of any series or the number of trials behind it.
func TestStricterNeverRaises(t *testing.T) {
	lowered := 0
	each(t, func(t *testing.T, r *rand.Rand, in score.Input) {
		before, _ := scored(t, in)
		for digest, p := range in.Protocols {
			in.Protocols[digest] = stricter(r, p)
		}
		after, _ := scored(t, in)
		for i, c := range after.Capacities {
			was := before.Capacities[i]
			if c.AcceptedTrials > was.AcceptedTrials || c.Load != nil && (was.Load == nil || was.Load.Less(*c.Load)) {
				t.Errorf("series %d: %v of %d trials, was %v of %d", c.SeriesNumber, c.Load, c.AcceptedTrials, was.Load, was.AcceptedTrials)
			}
			if c.AcceptedTrials < was.AcceptedTrials {
				lowered++
			}
		}
	})
	if lowered < rounds/10 {
		t.Errorf("only %d capacities lost a trial: the property was hardly tried", lowered)
	}
}

func stricter(r *rand.Rand, p record.Protocol) record.Protocol {
	switch r.IntN(9) {
	case 5:
		p.StopMechanicsGrade = 2
	case 6:
		p.PercentOfBodyMass = 20
	case 7:
		p.Compression = &record.CompressionLimit{CriterionNewtons: 1500}
	case 8:
		p.HeartRateStartLimit, p.Calibration = &record.HeartRateLimit{BPM: 60}, &record.CalibrationLimit{Days: 1, Block: true}
	case 0:
		p.Repetitions++
	case 1:
		p.EffortStop = max(2, p.EffortStop-4)
	case 2:
		p.LoadCeiling = ptr(mass.FromUnits(10_000 * 45_359_237))
	case 3:
		p.RequiresHeartRate, p.RequiresEffortRating = true, true
	case 4:
		if p.HeartRateLimit == nil {
			p.HeartRateLimit = &record.HeartRateLimit{BPM: 120}
			break
		}
		l := *p.HeartRateLimit
		l.BPM, l.PercentOfPredicted, l.PercentOfReserve = l.BPM*9/10, l.PercentOfPredicted*9/10, l.PercentOfReserve*9/10
		p.HeartRateLimit = &l
	}
	return p
}

// TestAHarderJobIsNeverEasier: a task added, or a load raised, never lowers the demanded level and never turns a shortfall into less.
func TestAHarderJobIsNeverEasier(t *testing.T) {
	each(t, func(t *testing.T, r *rand.Rand, in score.Input) {
		if in.Job == nil {
			return
		}
		before, _ := scored(t, in)
		harder := *in.Job
		harder.Tasks = slices.Clone(harder.Tasks)
		for i := range harder.Tasks {
			harder.Tasks[i].Load = harder.Tasks[i].Load.Add(load(r))
		}
		harder.Tasks = append(harder.Tasks, record.JobTask{Name: "More", Zone: pick(r, record.Zones()), Pace: pick(r, record.Paces()), Load: load(r)})
		in.Job = &harder
		after, _ := scored(t, in)
		levels := append([]record.Level{record.NoLevel}, record.Levels()...)
		if slices.Index(levels, after.Job.Demand) < slices.Index(levels, before.Job.Demand) {
			t.Errorf("demands %s, was %s", after.Job.Demand, before.Job.Demand)
		}
		for i, was := range before.Job.Tasks {
			if was.Verdict == record.TaskShort && after.Job.Tasks[i].Verdict != record.TaskShort {
				t.Errorf("task %d is %s, was short", i, after.Job.Tasks[i].Verdict)
			}
		}
		if before.Job.Outcome == record.DoesNotMeet && after.Job.Outcome != record.DoesNotMeet {
			t.Errorf("outcome %s, was does not meet", after.Job.Outcome)
		}
	})
}

// FuzzScore: no input makes the engine panic; every capacity is the highest of its accepted loads, the bracket is above it, and the finding
// has a canonical form.
func FuzzScore(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("\x01\x02\x03\x04\x05\x06\x07\x08 a session of any kind, as long as it lasts"))
	for seed := range uint64(4) {
		r := rand.New(rand.NewPCG(seed, 1))
		b := make([]byte, 600)
		for i := range b {
			b[i] = byte(r.IntN(256))
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		in := input(&byteSource{b})
		finding, text := scored(t, in)
		if !canon.IsCanonical(text) {
			t.Errorf("not canonical: %s", text)
		}
		for i, c := range finding.Capacities {
			s := in.Session.Series[i]
			highest, accepted := mass.Zero(), 0
			for k, v := range c.Trials {
				if v.Status == record.TrialAccepted {
					accepted++
					if highest.Less(s.Trials[k].Load) {
						highest = s.Trials[k].Load
					}
				}
			}
			if accepted != c.AcceptedTrials || (c.Load == nil) != (accepted == 0) || c.Load != nil && *c.Load != highest {
				t.Errorf("series %d: capacity %v of %d trials, highest accepted %s of %d", s.Number, c.Load, c.AcceptedTrials, highest, accepted)
			}
			if c.BracketTo != nil && c.Load != nil && !c.Load.Less(*c.BracketTo) {
				t.Errorf("series %d: bracket %s to %s", s.Number, c.Load, c.BracketTo)
			}
		}
	})
}
