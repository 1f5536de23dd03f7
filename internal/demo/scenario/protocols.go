package scenario

import (
	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// The names of the protocols of every clinic.
const (
	liftName     = "Lift, occasional: a starting point for the responsible clinician"
	overheadName = "Lift to overhead, occasional: a starting point for the responsible clinician"
	carryName    = "Carry, occasional: a starting point for the responsible clinician"
	pushPullName = "Push and pull, occasional: a starting point for the responsible clinician"
	frequentName = "Lift, frequent: a starting point for the responsible clinician"
)

const noSource = "common practice, no source"

// Most people are asked to stop here; common practice, no source.
const effortStop = 8

// heartPercent of the age-predicted maximum is the usual submaximal end point; common practice.
const heartPercent = 85

// protocols are invented examples in the trade's usual form.
func (l loads) protocols() []*ponderalv1.Protocol {
	return []*ponderalv1.Protocol{
		l.protocol(liftName, ponderalv1.Pace_PACE_OCCASIONAL, 4, ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Zone_ZONE_WAIST_SHOULDER,
			ponderalv1.Zone_ZONE_FLOOR_SHOULDER),
		l.light().protocol(overheadName, ponderalv1.Pace_PACE_OCCASIONAL, 4, ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD),
		l.protocol(carryName, ponderalv1.Pace_PACE_OCCASIONAL, 2, ponderalv1.Zone_ZONE_CARRY),
		l.protocol(pushPullName, ponderalv1.Pace_PACE_OCCASIONAL, 3, ponderalv1.Zone_ZONE_PUSH, ponderalv1.Zone_ZONE_PULL),
		l.light().protocol(frequentName, ponderalv1.Pace_PACE_FREQUENT, 12, ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Zone_ZONE_WAIST_SHOULDER),
	}
}

func (l loads) protocol(name string, pace ponderalv1.Pace, repetitions uint32, zones ...ponderalv1.Zone) *ponderalv1.Protocol {
	return &ponderalv1.Protocol{
		Name: name, Zones: zones, Pace: pace, StartLoad: l.mass(l.start),
		Steps: []*ponderalv1.LoadStep{
			{FromEffortRating: 0, Increment: l.mass(l.coarse)},
			{FromEffortRating: coarseUntil, Increment: l.mass(l.middle)},
			{FromEffortRating: middleUntil, Increment: l.mass(l.fine)},
		},
		Repetitions: repetitions, RestSeconds: restSeconds,
		HeartRateLimit: &ponderalv1.HeartRateLimit{
			Limit:   &ponderalv1.HeartRateLimit_PercentOfPredictedMaximum{PercentOfPredictedMaximum: heartPercent},
			Formula: ponderalv1.HeartRateFormula_HEART_RATE_FORMULA_FOX_1971},
		EffortStop: effortStop, LoadCeiling: l.mass(l.ceiling), RequiresHeartRate: true, RequiresEffortRating: true, Source: noSource,
		ScreeningLimits: &ponderalv1.ScreeningLimits{RestingHeartRateBpm: screenHeart, SystolicMmhg: screenSystolic, DiastolicMmhg: screenDiastolic},
		CapacityError:   &ponderalv1.CapacityError{StandardError: l.mass(l.fine), Source: "a figure of this invented scenario, not a measured one"},
	}
}

// The effort ratings from which the increments shrink, and the least rest; common practice, no source.
const (
	coarseUntil = 4
	middleUntil = 6
	restSeconds = 60
)

// The highest values with which a session may begin, in beats a minute and mmHg; common practice, no source.
const (
	screenHeart     = 100
	screenSystolic  = 160
	screenDiastolic = 100
)

// heartLimit is the highest heart rate that the protocols allow at an age: 85 % of 220 - age (Fox, Naughton, Haskell 1971).
func heartLimit(age int) int { return (220 - age) * heartPercent / 100 }

// job is an invented target job; loads in pounds, rounded to what a clinic's kit can make.
type job struct {
	title string
	tasks []task
	// positions, and the grip in pounds that each hand needs; 0 for none.
	positions []*ponderalv1.PositionDemand
	grip      float64
}

// needs is a demand of a position.
func needs(p ponderalv1.Position, t ponderalv1.Tolerance) *ponderalv1.PositionDemand {
	return &ponderalv1.PositionDemand{Position: p, Demand: t}
}

type task struct {
	name     string
	zone     ponderalv1.Zone
	pace     ponderalv1.Pace
	inPounds float64
}

var jobs = []job{
	{title: "Stock picker (invented job)", tasks: []task{
		{"Lift cartons from pallet to bench", ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Pace_PACE_OCCASIONAL, 40},
		{"Move small cartons to the trolley", ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Pace_PACE_FREQUENT, 20},
		{"Stack cartons at shoulder height", ponderalv1.Zone_ZONE_WAIST_SHOULDER, ponderalv1.Pace_PACE_OCCASIONAL, 30},
		{"Carry cartons to the scales", ponderalv1.Zone_ZONE_CARRY, ponderalv1.Pace_PACE_OCCASIONAL, 40},
	}, grip: 40, positions: []*ponderalv1.PositionDemand{
		needs(ponderalv1.Position_POSITION_STANDING, ponderalv1.Tolerance_TOLERANCE_FREQUENT),
		needs(ponderalv1.Position_POSITION_SITTING, ponderalv1.Tolerance_TOLERANCE_OCCASIONAL),
	}},
	{title: "Ward orderly (invented job)", tasks: []task{
		{"Lift linen bags from floor to trolley", ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Pace_PACE_OCCASIONAL, 25},
		{"Push a loaded linen trolley", ponderalv1.Zone_ZONE_PUSH, ponderalv1.Pace_PACE_OCCASIONAL, 45},
		{"Put supplies on the upper shelf", ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD, ponderalv1.Pace_PACE_OCCASIONAL, 15},
	}},
	{title: "Site carpenter (invented job)", tasks: []task{
		{"Lift sheet bundles from floor to bench", ponderalv1.Zone_ZONE_FLOOR_WAIST, ponderalv1.Pace_PACE_OCCASIONAL, 50},
		{"Raise boards from floor to shoulder", ponderalv1.Zone_ZONE_FLOOR_SHOULDER, ponderalv1.Pace_PACE_OCCASIONAL, 35},
		{"Hold boards overhead for fixing", ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD, ponderalv1.Pace_PACE_OCCASIONAL, 25},
		{"Pull timber from the rack", ponderalv1.Zone_ZONE_PULL, ponderalv1.Pace_PACE_OCCASIONAL, 50},
	}, positions: []*ponderalv1.PositionDemand{
		needs(ponderalv1.Position_POSITION_KNEELING, ponderalv1.Tolerance_TOLERANCE_FREQUENT),
		needs(ponderalv1.Position_POSITION_STANDING, ponderalv1.Tolerance_TOLERANCE_FREQUENT),
	}},
}

func (m *maker) job(j job, l loads) *ponderalv1.JobProfile {
	p := &ponderalv1.JobProfile{Id: m.id(), Title: j.title}
	for _, t := range j.tasks {
		p.Tasks = append(p.Tasks, &ponderalv1.JobTask{Name: t.name, Zone: t.zone, Pace: t.pace, Load: l.mass(l.rounded(t.inPounds))})
	}
	for _, d := range j.positions {
		p.Positions = append(p.Positions, needs(d.Position, d.Demand))
	}
	if j.grip > 0 {
		p.Hands = []*ponderalv1.HandDemand{{Name: "Hold a carton by its edge", Measure: grip, Force: l.fineMass(j.grip)}}
	}
	return p
}
