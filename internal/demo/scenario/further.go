package scenario

import (
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// The visits with something particular in what is measured beside the loads.
const (
	overrideClinic, overrideVisit = 1, 1
	retestClinic, retestVisit     = 0, joblessVisit
	kneelingVisit                 = 2
)

// The names of the hand measures are the contract's.
const (
	grip     = ponderalv1.HandMeasure_HAND_MEASURE_GRIP
	keyPinch = ponderalv1.HandMeasure_HAND_MEASURE_KEY_PINCH
	repeated = ponderalv1.HandProcedure_HAND_PROCEDURE_REPEATED
)

// How readings behave in the model: three trials vary by a few percent, and a handle's middle positions allow more than its ends.
var (
	threeTrials   = []float64{1, 0.97, 0.985}
	fivePositions = []float64{0.80, 0.94, 1, 0.93, 0.82}
)

// fineMass spells so many pounds to half a unit, which is how finely bodies and hands are read.
func (l loads) fineMass(inPounds float64) *ponderalv1.Mass {
	return l.mass(load(math.Round(inPounds*l.perPound/500)) * 500)
}

// body gives stature and body mass; both follow from the person, so that they draw no chance.
func (p person) body(l loads) *ponderalv1.BodyMeasures {
	stature, pounds := 1580+90*p.strength, 118+44*p.strength
	if p.sex == ponderalv1.Sex_SEX_MALE {
		stature, pounds = stature+110, pounds+22
	}
	return &ponderalv1.BodyMeasures{StatureMm: uint32(stature), BodyMass: l.fineMass(pounds)}
}

// gripPounds is the grip of the person's right hand in the model.
func (p person) gripPounds() float64 {
	if p.sex == ponderalv1.Sex_SEX_MALE {
		return 62 + 32*p.strength
	}
	return 36 + 20*p.strength
}

// further adds the tests without loads that the i-th visit has, and gives the time at which they were over.
func (p person) further(l loads, s *ponderalv1.Session, i int, at time.Time) time.Time {
	job := i % len(jobs)
	if job == 0 {
		at = p.hands(l, s, at)
	}
	for _, demand := range jobs[job].positions {
		kept, end, rating := uint32(boutSeconds), ponderalv1.BoutEnd_BOUT_END_COMPLETED, max(demand.Demand, ponderalv1.Tolerance_TOLERANCE_FREQUENT)
		if i == kneelingVisit && demand.Position == ponderalv1.Position_POSITION_KNEELING {
			kept, end, rating = 110, ponderalv1.BoutEnd_BOUT_END_VOLITIONAL, ponderalv1.Tolerance_TOLERANCE_OCCASIONAL
		}
		s.PositionSeries = append(s.PositionSeries, &ponderalv1.PositionSeries{Number: uint32(len(s.PositionSeries) + 1), Position: demand.Position,
			Rating: rating, Bouts: []*ponderalv1.Bout{{Number: 1, At: timestamppb.New(at), AskedSeconds: boutSeconds, KeptSeconds: kept, EndedBy: end}}})
		at = at.Add((boutSeconds + 60) * time.Second)
	}
	return at
}

// boutSeconds is how long a position is asked for; a choice of the scenario, no source.
const boutSeconds = 300

// hands tests the grip of both hands three times, the right one in five positions, and a key pinch.
func (p person) hands(l loads, s *ponderalv1.Session, at time.Time) time.Time {
	full, right, left := p.gripPounds(), ponderalv1.Hand_HAND_RIGHT, ponderalv1.Hand_HAND_LEFT
	for _, t := range []struct {
		measure   ponderalv1.HandMeasure
		hand      ponderalv1.Hand
		procedure ponderalv1.HandProcedure
		pounds    float64
		parts     []float64
	}{
		{grip, right, repeated, full, threeTrials},
		{grip, left, repeated, 0.93 * full, threeTrials},
		{grip, right, ponderalv1.HandProcedure_HAND_PROCEDURE_FIVE_POSITIONS, full, fivePositions},
		{keyPinch, right, repeated, 0.2 * full, threeTrials},
	} {
		dominant := t.hand == right
		series := &ponderalv1.HandSeries{Number: uint32(len(s.HandSeries) + 1), Measure: t.measure, Hand: t.hand, Procedure: t.procedure, Dominant: &dominant}
		for k, part := range t.parts {
			trial := &ponderalv1.HandTrial{Number: uint32(k + 1), At: timestamppb.New(at), Reading: l.fineMass(part * t.pounds)}
			switch {
			case t.procedure != repeated:
				trial.HandlePosition = uint32(k + 1)
			case t.measure == grip:
				trial.HandlePosition = 2
			}
			series.Trials = append(series.Trials, trial)
			at = at.Add(40 * time.Second)
		}
		s.HandSeries = append(s.HandSeries, series)
	}
	return at
}
