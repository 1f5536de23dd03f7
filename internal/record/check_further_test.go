package record_test

import (
	"strconv"
	"testing"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func kilograms(n int) mass.Mass {
	m, err := mass.Parse(strconv.Itoa(n), mass.Kilogram)
	if err != nil {
		return mass.Zero()
	}
	return m
}

// gripSeries is a sound series of three repeated readings.
func gripSeries() record.HandSeries {
	return record.HandSeries{
		Number: 1, Measure: record.Grip, Hand: record.RightHand, Procedure: record.HandRepeated, InstrumentVerifiedOn: "2026-01-31",
		Trials: []record.HandTrial{{Number: 1, At: at(1), Position: 2, Reading: kilograms(40)}, {Number: 2, At: at(2), Position: 2, Reading: kilograms(41)},
			{Number: 3, At: at(3), Position: 2, Reading: kilograms(39)}},
	}
}

// fivePositions is a sound series of a reading in each position of the handle.
func fivePositions() record.HandSeries {
	s := record.HandSeries{Number: 1, Measure: record.Grip, Hand: record.LeftHand, Procedure: record.HandFivePositions}
	for i := range 5 {
		s.Trials = append(s.Trials, record.HandTrial{Number: i + 1, At: at(i), Position: 5 - i, Reading: kilograms(30)})
	}
	return s
}

// standing is a sound series of two bouts in a session from minute 0 to 30.
func standing() record.PositionSeries {
	return record.PositionSeries{Number: 1, Position: record.Standing, Rating: record.ToleratedFrequent, Bouts: []record.Bout{
		{Number: 1, At: at(4), AskedSeconds: 300, KeptSeconds: 300, EndedBy: record.BoutCompleted},
		{Number: 2, At: at(10), AskedSeconds: 600, KeptSeconds: 480, EndedBy: record.BoutVolitional},
	}}
}

func TestCheckHandSeries(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.HandSeries)
		want   []string
	}{
		{"sound", func(*record.HandSeries) {}, nil},
		{"trial number twice", func(s *record.HandSeries) { s.Trials[1].Number = 1 }, []string{"h.trials[1].number hand_trial.order"}},
		{"trial before the one before", func(s *record.HandSeries) { s.Trials[2].At = at(1) }, []string{"h.trials[2].at hand_trial.time_order"}},
		{"trials at the same moment", func(s *record.HandSeries) { s.Trials[2].At = at(2) }, nil},
		{"no reading", func(s *record.HandSeries) { s.Trials[0].Reading = mass.Zero() }, []string{"h.trials[0].reading hand_trial.reading"}},
		{"hardly a reading", func(s *record.HandSeries) { s.Trials[0].Reading = mass.FromUnits(1) }, nil},
		{"a reading of 200 kg", func(s *record.HandSeries) { s.Trials[0].Reading = kilograms(200) }, nil},
		{"a reading above", func(s *record.HandSeries) { s.Trials[0].Reading = kilograms(200).Add(mass.FromUnits(1)) }, []string{"h.trials[0].reading hand_trial.reading"}},
		{"29 February of a common year", func(s *record.HandSeries) { s.InstrumentVerifiedOn = "2026-02-29" }, []string{"h.instrument_verified_on date.calendar"}},
		{"29 February of a leap year", func(s *record.HandSeries) { s.InstrumentVerifiedOn = "2024-02-29" }, nil},
		{"calibration not known", func(s *record.HandSeries) { s.InstrumentVerifiedOn = "" }, nil},
		{"repeated in two positions", func(s *record.HandSeries) { s.Trials[2].Position = 3 }, []string{"h.trials[2].handle_position hand_trial.one_position"}},
		{"repeated without positions", func(s *record.HandSeries) { s.Trials[0].Position, s.Trials[1].Position, s.Trials[2].Position = 0, 0, 0 }, nil},
		{"position 6", func(s *record.HandSeries) { s.Procedure, s.Trials[0].Position = record.HandRapidExchange, 6 }, []string{"h.trials[0].handle_position hand_trial.position_range"}},
		{"position 5", func(s *record.HandSeries) { s.Procedure, s.Trials[0].Position = record.HandRapidExchange, 5 }, nil},
		{"pinch with positions", func(s *record.HandSeries) { s.Measure, s.Trials = record.KeyPinch, s.Trials[:1] }, []string{"h.trials[0].handle_position hand_trial.position_of_grip"}},
		{"pinch", func(s *record.HandSeries) {
			s.Measure, s.Trials = record.TipPinch, s.Trials[:1]
			s.Trials[0].Position = 0
		}, nil},
		{"rapid exchange of a pinch", func(s *record.HandSeries) {
			s.Measure, s.Procedure, s.Trials = record.PalmarPinch, record.HandRapidExchange, s.Trials[:1]
			s.Trials[0].Position = 0
		}, []string{"h.procedure hand_series.procedure"}},
		{"rapid exchange of grip", func(s *record.HandSeries) { s.Procedure = record.HandRapidExchange }, nil},
	} {
		s := gripSeries()
		c.change(&s)
		expect(t, c.name, record.CheckHandSeries(s, "h"), c.want...)
	}
}

func TestCheckFivePositions(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.HandSeries)
		want   []string
	}{
		{"sound", func(*record.HandSeries) {}, nil},
		{"four of them", func(s *record.HandSeries) { s.Trials = s.Trials[:4] }, nil},
		{"position twice", func(s *record.HandSeries) { s.Trials[4].Position = 5 }, []string{"h.trials[4].handle_position hand_trial.position_once"}},
		{"two trials without", func(s *record.HandSeries) { s.Trials[1].Position, s.Trials[3].Position = 0, 0 },
			[]string{"h.trials[1].handle_position hand_trial.position_given", "h.trials[3].handle_position hand_trial.position_given"}},
		{"of a pinch", func(s *record.HandSeries) {
			s.Measure, s.Trials = record.TipPinch, s.Trials[:1]
			s.Trials[0].Position = 0
		}, []string{"h.procedure hand_series.procedure"}},
	} {
		s := fivePositions()
		c.change(&s)
		expect(t, c.name, record.CheckHandSeries(s, "h"), c.want...)
	}
}

func TestCheckPositionSeries(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.PositionSeries)
		want   []string
	}{
		{"sound", func(*record.PositionSeries) {}, nil},
		{"bout number left out", func(s *record.PositionSeries) { s.Bouts[1].Number = 3 }, []string{"p.bouts[1].number bout.order"}},
		{"bout before the one before", func(s *record.PositionSeries) { s.Bouts[1].At = at(3) }, []string{"p.bouts[1].at bout.time_order"}},
		{"bouts at the same moment", func(s *record.PositionSeries) { s.Bouts[1].At = at(4) }, nil},
		{"kept longer than asked", func(s *record.PositionSeries) { s.Bouts[1].KeptSeconds = 601 }, []string{"p.bouts[1].kept_seconds bout.kept"}},
		{"ended at the last moment", func(s *record.PositionSeries) { s.Bouts[1].KeptSeconds = 600 }, nil},
		{"completed too soon", func(s *record.PositionSeries) { s.Bouts[0].KeptSeconds = 299 }, []string{"p.bouts[0].ended_by bout.completed"}},
		{"a judgement without a bout or a note", func(s *record.PositionSeries) { s.Bouts = nil }, []string{"p.note position.note"}},
		{"a judgement with a note", func(s *record.PositionSeries) { s.Bouts, s.Note = nil, "seen through the visit" }, nil},
	} {
		s := standing()
		c.change(&s)
		expect(t, c.name, record.CheckPositionSeries(s, "p"), c.want...)
	}
}

// TestCheckSessionOfOtherSeries: what a session adds to the checks of its hand and position series.
func TestCheckSessionOfOtherSeries(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Session)
		want   []string
	}{
		{"sound", func(*record.Session) {}, nil},
		{"hand series number twice", func(s *record.Session) { s.HandSeries[1].Number = 1 }, []string{"s.hand_series[1].number hand_series.order"}},
		{"position series from 2", func(s *record.Session) { s.PositionSeries[0].Number = 2 }, []string{"s.position_series[0].number position_series.order"}},
		{"hand trial before the session", func(s *record.Session) { s.HandSeries[0].Trials[0].At = at(-1) }, []string{"s.hand_series[0].trials[0].at hand_trial.within_session"}},
		{"hand trial after the session", func(s *record.Session) { s.HandSeries[1].Trials[4].At = at(31) }, []string{"s.hand_series[1].trials[4].at hand_trial.within_session"}},
		{"hand trials at the ends of the session", func(s *record.Session) { s.HandSeries[1].Trials[0].At, s.HandSeries[1].Trials[4].At = at(0), at(30) }, nil},
		{"bout before the session", func(s *record.Session) { s.PositionSeries[0].Bouts[0].At = at(-1) }, []string{"s.position_series[0].bouts[0].at bout.within_session"}},
		{"bout beyond the session", func(s *record.Session) { s.PositionSeries[0].Bouts[1].At = at(23) }, []string{"s.position_series[0].bouts[1].at bout.within_session"}},
		{"bout until the session ends", func(s *record.Session) { s.PositionSeries[0].Bouts[1].At = at(22) }, nil},
		{"what is wrong in a hand series", func(s *record.Session) { s.HandSeries[1].Trials[0].Reading = mass.Zero() }, []string{"s.hand_series[1].trials[0].reading hand_trial.reading"}},
		{"what is wrong in a position series", func(s *record.Session) { s.PositionSeries[0].Bouts[1].KeptSeconds = 601 },
			[]string{"s.position_series[0].bouts[1].kept_seconds bout.kept"}},
		{"what is wrong in the screening", func(s *record.Session) { s.Screening.OverrideBy = "m" }, []string{"s.screening.override_by screening.override_reason"}},
		{"what is wrong in the body", func(s *record.Session) { s.Body = &record.BodyMeasures{} }, []string{"s.body body.some_measure"}},
	} {
		five := fivePositions()
		five.Number = 2
		s := record.Session{
			StartedAt: at(0), EndedAt: at(30), Body: &record.BodyMeasures{StatureMM: 1750},
			HandSeries: []record.HandSeries{gripSeries(), five}, PositionSeries: []record.PositionSeries{standing()},
		}
		c.change(&s)
		expect(t, c.name, record.CheckSession(s, "s"), c.want...)
	}
}

func TestCheckBody(t *testing.T) {
	tooMuch := []string{"b.body_mass body.mass_range"}
	for _, c := range []struct {
		name string
		body record.BodyMeasures
		want []string
	}{
		{"nothing", record.BodyMeasures{}, []string{"b body.some_measure"}},
		{"stature alone", record.BodyMeasures{StatureMM: 1000}, nil},
		{"20 kg", record.BodyMeasures{Mass: ptr(kilograms(20))}, nil},
		{"below 20 kg", record.BodyMeasures{Mass: ptr(kilograms(20).Sub(mass.FromUnits(1)))}, tooMuch},
		{"350 kg", record.BodyMeasures{Mass: ptr(kilograms(350))}, nil},
		{"above 350 kg", record.BodyMeasures{StatureMM: 1000, Mass: ptr(kilograms(350).Add(mass.FromUnits(1)))}, tooMuch},
	} {
		expect(t, c.name, record.CheckBody(c.body, "b"), c.want...)
	}
}

func TestCheckScreening(t *testing.T) {
	for _, c := range []struct {
		name      string
		screening record.Screening
		want      []string
	}{
		{"nothing", record.Screening{}, nil},
		{"pressures equal", record.Screening{Systolic: ptr(80), Diastolic: ptr(80)}, []string{"s.diastolic_mmhg screening.pressures"}},
		{"pressures in order", record.Screening{Systolic: ptr(81), Diastolic: ptr(80)}, nil},
		{"answered for without a reason", record.Screening{OverrideBy: "m"}, []string{"s.override_by screening.override_reason"}},
		{"answered for with a reason", record.Screening{OverrideBy: "m", OverrideReason: "cleared by telephone"}, nil},
		{"a reason that nobody answers for", record.Screening{OverrideReason: "cleared by telephone"}, nil},
		{"symptom twice", record.Screening{Symptoms: []record.Symptom{record.SymptomOther, record.SymptomDizziness, record.SymptomOther}}, []string{"s.symptoms[2] screening.symptom_once"}},
		{"two symptoms", record.Screening{Symptoms: []record.Symptom{record.SymptomOther, record.SymptomDizziness}}, nil},
	} {
		expect(t, c.name, record.CheckScreening(c.screening, "s"), c.want...)
	}
}
