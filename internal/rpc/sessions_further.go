package rpc

import (
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// bodyOrNone reads measures of the body, which may be absent.
func (r *reader) bodyOrNone(m *pb.BodyMeasures, at string) *record.BodyMeasures {
	if m == nil {
		return nil
	}
	return &record.BodyMeasures{StatureMM: int(m.GetStatureMm()), Mass: r.massOrNone(m.GetBodyMass(), at+".body_mass")}
}

func (r *reader) handSeries(m *pb.HandSeries, at string) record.HandSeries {
	if m == nil {
		m = &pb.HandSeries{} // each part that is needed is then named
	}
	v := record.HandSeries{
		Number: int(m.GetNumber()), Measure: pick(r, handMeasures, m.GetMeasure(), at+".measure"), Hand: pick(r, handSides, m.GetHand(), at+".hand"),
		Procedure: pick(r, handProcedures, m.GetProcedure(), at+".procedure"), Dominant: m.Dominant,
		Instrument: r.line(m.GetInstrument(), at+".instrument"), InstrumentVerifiedOn: m.GetInstrumentVerifiedOn(),
		Note: r.text(m.GetNote(), at+".note"), Trials: make([]record.HandTrial, 0, len(m.GetTrials())),
	}
	for i, t := range m.GetTrials() {
		v.Trials = append(v.Trials, r.handTrial(t, index(at+".trials", i)))
	}
	return v
}

func (r *reader) handTrial(m *pb.HandTrial, at string) record.HandTrial {
	if m == nil {
		m = &pb.HandTrial{}
	}
	return record.HandTrial{
		Number: int(m.GetNumber()), At: r.time(m.GetAt(), at+".at"), Position: int(m.GetHandlePosition()),
		Reading: r.mass(m.GetReading(), at+".reading"), Effort: r.effortOrNone(m.EffortRating, at+".effort_rating"),
		Symptoms: r.symptoms(m.GetSymptoms(), at+".symptoms"),
	}
}

func (r *reader) positionSeries(m *pb.PositionSeries, at string) record.PositionSeries {
	v := record.PositionSeries{
		Number: int(m.GetNumber()), Position: pick(r, positionKinds, m.GetPosition(), at+".position"),
		Rating: pick(r, tolerances, m.GetRating(), at+".rating"), Note: r.text(m.GetNote(), at+".note"),
	}
	for i, b := range m.GetBouts() {
		v.Bouts = append(v.Bouts, r.bout(b, index(at+".bouts", i)))
	}
	return v
}

func (r *reader) bout(m *pb.Bout, at string) record.Bout {
	if m == nil {
		m = &pb.Bout{}
	}
	return record.Bout{
		Number: int(m.GetNumber()), At: r.time(m.GetAt(), at+".at"), AskedSeconds: int(m.GetAskedSeconds()),
		KeptSeconds: int(m.GetKeptSeconds()), EndedBy: pick(r, boutEnds, m.GetEndedBy(), at+".ended_by"),
		Effort: r.effortOrNone(m.EffortRating, at+".effort_rating"), HeartRate: whole(m.HeartRateBpm),
		Symptoms: r.symptoms(m.GetSymptoms(), at+".symptoms"),
	}
}

func (w *writer) bodyOrNone(v *record.BodyMeasures) *pb.BodyMeasures {
	if v == nil {
		return nil
	}
	return &pb.BodyMeasures{StatureMm: w.number(v.StatureMM), BodyMass: w.massOrNone(v.Mass)}
}

func (w *writer) handSeries(v record.HandSeries) *pb.HandSeries {
	m := &pb.HandSeries{
		Number: w.number(v.Number), Measure: say(w, handMeasures, v.Measure), Hand: say(w, handSides, v.Hand),
		Procedure: say(w, handProcedures, v.Procedure), Dominant: v.Dominant, Instrument: v.Instrument,
		InstrumentVerifiedOn: v.InstrumentVerifiedOn, Note: v.Note,
	}
	for _, t := range v.Trials {
		m.Trials = append(m.Trials, &pb.HandTrial{
			Number: w.number(t.Number), At: w.time(t.At), HandlePosition: w.number(t.Position), Reading: w.mass(t.Reading),
			EffortRating: w.effortOrNone(t.Effort), Symptoms: w.symptoms(t.Symptoms),
		})
	}
	return m
}

func (w *writer) positionSeries(v record.PositionSeries) *pb.PositionSeries {
	m := &pb.PositionSeries{
		Number: w.number(v.Number), Position: say(w, positionKinds, v.Position), Rating: say(w, tolerances, v.Rating), Note: v.Note,
	}
	for _, b := range v.Bouts {
		m.Bouts = append(m.Bouts, &pb.Bout{
			Number: w.number(b.Number), At: w.time(b.At), AskedSeconds: w.number(b.AskedSeconds), KeptSeconds: w.number(b.KeptSeconds),
			EndedBy: say(w, boutEnds, b.EndedBy), EffortRating: w.effortOrNone(b.Effort), HeartRateBpm: w.wholeOrNone(b.HeartRate),
			Symptoms: w.symptoms(b.Symptoms),
		})
	}
	return m
}
