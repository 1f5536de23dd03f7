package score_test

import (
	"time"

	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// What rules 2 know besides. Masses are whole thousandths of a pound, which both units spell exactly.

func poundsOf(s source, most int) mass.Mass {
	return mass.FromUnits(int64(1000+s.IntN(1000*most)) * 45_359_237)
}

func further(s source, in *score.Input) {
	ses := &in.Session
	in.Person.Sex = pick(s, []record.Sex{"", record.Female, record.Male})
	ses.Screening.Systolic = sometimes(s, 3, 90+s.IntN(120))
	ses.Screening.Diastolic = sometimes(s, 3, 50+s.IntN(70))
	if s.IntN(6) == 0 {
		ses.Screening.Symptoms = []record.Symptom{pick(s, symptoms)}
	}
	if s.IntN(6) == 0 {
		ses.Screening.OverrideReason = "known to the physician"
	}
	if s.IntN(2) == 0 {
		ses.Body = &record.BodyMeasures{StatureMM: 1000 + s.IntN(1500), Mass: sometimes(s, 4, poundsOf(s, 400).Add(mass.FromUnits(100_000*45_359_237)))}
	}
	in.Kits = map[string]record.Kit{"k": {ID: "k", Tote: piece(s, "T"), Inserts: []record.Piece{piece(s, "A"), piece(s, "B"), piece(s, "C")}}}
	for i := range ses.Series {
		series(s, in, &ses.Series[i])
	}
	for n := range s.IntN(4) {
		ses.HandSeries = append(ses.HandSeries, handSeries(s, n+1))
	}
	for n := range s.IntN(4) {
		ses.PositionSeries = append(ses.PositionSeries, positionSeries(s, n+1))
	}
	if in.Job != nil {
		for _, p := range record.Positions()[:s.IntN(4)] {
			in.Job.Positions = append(in.Job.Positions, record.PositionDemand{Position: p, Demand: pick(s, record.Tolerances())})
		}
		if s.IntN(2) == 0 {
			in.Job.Hands = []record.HandDemand{{Name: "Hold", Measure: pick(s, record.HandMeasures()), Hand: pick(s, []record.Hand{"", record.RightHand, record.LeftHand}), Force: poundsOf(s, 90)}}
		}
	}
}

func piece(s source, code string) record.Piece {
	return record.Piece{Code: code, Mass: poundsOf(s, 20), VerifiedOn: pick(s, []string{"1969-06-01", "1969-12-31", "1970-01-02", "no day"})}
}

func series(s source, in *score.Input, x *record.Series) {
	if s.IntN(2) == 0 {
		x.KitID = pick(s, []string{"k", "unknown"})
	}
	blinded := s.IntN(4) == 0
	for i := range x.Trials {
		t := &x.Trials[i]
		t.Blinded = t.Blinded || blinded
		t.StartHeartRate, t.SteadyHeartRate = sometimes(s, 3, 60+s.IntN(80)), sometimes(s, 3, 60+s.IntN(110))
		if x.KitID != "" && s.IntN(2) == 0 {
			t.InsertCodes = []string{pick(s, []string{"A", "B", "C", "Z"})}
		}
	}
	p := in.Protocols[x.ProtocolDigest]
	p.PercentOfBodyMass = pick(s, []int{0, 0, 30, 60})
	if s.IntN(3) == 0 {
		p.Compression = &record.CompressionLimit{CriterionNewtons: 2000 + s.IntN(4000), MuscleArmMM: pick(s, []int{0, 60}), ForwardMM: pick(s, []int{0, 400})}
	}
	if s.IntN(3) == 0 {
		p.CapacityError = &record.CapacityError{StandardError: poundsOf(s, 5), Source: "invented"}
	}
	if s.IntN(3) == 0 {
		p.Calibration = &record.CalibrationLimit{Days: 1 + s.IntN(400), Block: s.IntN(2) == 0}
	}
	if s.IntN(3) == 0 {
		p.ScreeningLimits = &record.ScreeningLimits{RestingHeartRate: pick(s, []int{0, 80}), Systolic: pick(s, []int{0, 150}), Diastolic: pick(s, []int{0, 95})}
	}
	if s.IntN(3) == 0 {
		p.HeartRateStartLimit = &record.HeartRateLimit{PercentOfPredicted: 40 + s.IntN(40), Formula: pick(s, everyFormula)}
	}
	if p.HeartRateLimit != nil && p.HeartRateLimit.Formula != "" {
		l := *p.HeartRateLimit
		l.Formula = pick(s, everyFormula)
		p.HeartRateLimit = &l
	}
	p.StopMechanicsGrade = pick(s, []int{0, 2, 3})
	in.Protocols[x.ProtocolDigest] = p
}

var everyFormula = []record.HeartRateFormula{
	record.Fox1971, record.Tanaka2001, record.Gellish2007, record.Gellish2007Quadratic, record.Gulati2010Women, record.Sydo2014Men, record.Sydo2014Women,
	record.Zhu2010, record.BetaBlockerFormula,
}

func handSeries(s source, n int) record.HandSeries {
	h := record.HandSeries{
		Number: n, Measure: pick(s, record.HandMeasures()), Hand: pick(s, record.Hands()),
		Procedure: pick(s, []record.HandProcedure{record.HandRepeated, record.HandRepeated, record.HandFivePositions, record.HandRapidExchange}),
	}
	for k := range 1 + s.IntN(6) {
		t := record.HandTrial{Number: k + 1, At: record.TimeOf(time.Unix(int64(k)*60, 0)), Position: s.IntN(6), Reading: poundsOf(s, 100)}
		if s.IntN(12) == 0 {
			t.Symptoms = []record.Symptom{pick(s, symptoms)}
		}
		h.Trials = append(h.Trials, t)
	}
	return h
}

func positionSeries(s source, n int) record.PositionSeries {
	p := record.PositionSeries{Number: n, Position: pick(s, record.Positions()), Rating: pick(s, record.Tolerances())}
	for k := range s.IntN(4) {
		b := record.Bout{
			Number: k + 1, At: record.TimeOf(time.Unix(int64(k)*900, 0)), AskedSeconds: 1 + s.IntN(900),
			EndedBy: pick(s, []record.BoutEnd{record.BoutCompleted, record.BoutVolitional, record.BoutSymptom, record.BoutAdministrative}),
		}
		b.KeptSeconds = s.IntN(b.AskedSeconds + 1)
		p.Bouts = append(p.Bouts, b)
	}
	return p
}
