// Package body estimates from stature and body mass: heights of the stations, and a ceiling for the load, as a share of body mass and from
// the compression at L5/S1 of a static model.
//
// The model of compression holds one posture still, seen from the side, and balances it with one muscle behind the joint. It leaves out:
// movement (acceleration raises the peak, often by half or more), twisting, bending to the side and handling with one hand, other muscles
// that tighten at the same time, the pressure in the abdomen, ligaments, the curve of the spine and the tilt of the sacrum, the shear
// that tissue bears, fatigue and repetition, age, sex, bone and earlier injury, and everything in which one body differs from the
// proportions of an average. Its posture keeps the knees straight until the trunk is level; nobody needs to lift like that. A criterion is
// a reference for work design, not a safe limit for a person: a 1995 cross-validation judged that 3.4 kN does not protect most workers (S86,
// Ergonomics 1995;38(12):2455-2464). An estimate below the criterion never overrules a sign, a symptom or a clinician.
//
// Segments: Winter, Biomechanics and motor control of human movement, 4th ed. 2009, figure 4.1 (after Drillis and Contini 1966) and table
// 4.1 (after Dempster 1955). Two printed radii of gyration there break the parallel-axis theorem; a static model uses none.
//
// The package is pure: no clock, randomness, input or output; floats have the same bits on every machine.
package body

import (
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The rules that an input can break.
const (
	// RuleStature: a stature is 1.00 to 2.50 m.
	RuleStature = "body.stature"
	// RuleMass: a body mass is 20 to 350 kg.
	RuleMass = "body.mass"
	// RuleLoad: a load is 0 to 1000 kg.
	RuleLoad = "body.load"
	// RulePercent: a share of body mass is 1 to 200 %.
	RulePercent = "body.percent"
	// RuleHands: the hands are 0 to 3 m above the floor and 0.25 to 1.00 m before the ankles.
	RuleHands = "body.hands"
	// RuleReach: the arms reach the hands' place.
	RuleReach = "body.reach"
	// RuleZone: the model is of lifts and carries, not of pushes and pulls.
	RuleZone = "body.zone"
	// RuleModel: the figures of the model are within their ranges.
	RuleModel = "body.model"
	// RuleUnknown: the word is one of those listed.
	RuleUnknown = "body.unknown"
)

const (
	minStature = measure.PerMetre
	maxStature = 5 * measure.PerMetre / 2

	unitsPerKilogram = 100_000_000_000
	minBody          = 20 * unitsPerKilogram
	maxBody          = 350 * unitsPerKilogram
	maxLoad          = 1000 * unitsPerKilogram
)

// Landmark is a point of the standing body.
type Landmark string

// The landmarks.
const (
	Eye       Landmark = "eye"
	Chin      Landmark = "chin"
	Shoulder  Landmark = "shoulder"
	Elbow     Landmark = "elbow"
	Wrist     Landmark = "wrist"
	Fingertip Landmark = "fingertip"
	Hip       Landmark = "hip"
	Knee      Landmark = "knee"
	Ankle     Landmark = "ankle"
)

// heights are in thousandths of stature (Winter figure 4.1 after Drillis and Contini). Those of eye, chin, wrist and fingertip are from memory; a
// secondary text labels 0.936 as the nose.
var heights = map[Landmark]int64{
	Eye: 936, Chin: 870, Shoulder: heightShoulder, Elbow: 630, Wrist: 485, Fingertip: 377, Hip: heightHip, Knee: 285, Ankle: 39,
}

// The heights that stations and postures need, without a look into the table.
const (
	heightShoulder = 818
	heightHip      = 530
)

// Landmarks returns every landmark, highest first.
func Landmarks() []Landmark {
	return []Landmark{Eye, Chin, Shoulder, Elbow, Hip, Wrist, Fingertip, Knee, Ankle}
}

// Lengths in thousandths of stature (the same figure).
const (
	upperArm = 186
	forearm  = 146
	hand     = 108
	trunk    = 288 // shoulder to hip
)

// gripPoint is how far from the wrist the load is held, in thousandths of stature: the hand's centre of mass, 0.506 of its length (table 4.1).
const gripPoint = 55

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) add(field, rule, text string) {
	*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
}

func (v *violations) stature(l measure.Length) {
	if l < minStature || l > maxStature {
		v.add("stature", RuleStature, "a stature is 1.00 to 2.50 m")
	}
}

func (v *violations) bodyMass(m mass.Mass) {
	if units := m.Units(); units < minBody || units > maxBody {
		v.add("body_mass", RuleMass, "a body mass is 20 to 350 kg")
	}
}

// share is that many thousandths of a stature, halves rounded up.
func share(stature measure.Length, thousandths int64) measure.Length {
	return measure.Length((int64(stature)*thousandths + 500) / 1000)
}

// Height is how high a landmark of a person of that stature is above the floor, standing without shoes.
func Height(of Landmark, stature measure.Length) (measure.Length, error) {
	var v violations
	thousandths, known := heights[of]
	if !known {
		v.add("landmark", RuleUnknown, "the landmark is not one of those listed")
	}
	v.stature(stature)
	if err := fault.InvalidFields(v); err != nil {
		return 0, err
	}
	return share(stature, thousandths), nil
}

// Stations are the heights of the hands at the ends of the lifting zones.
type Stations struct {
	// Floor is where the hands hold a tote that stands on the floor: 150 mm, whatever the stature.
	Floor measure.Length
	// Waist is the height of the hip, Shoulder of the shoulder, Overhead of the crown.
	Waist, Shoulder, Overhead measure.Length
	// HighestGrip is as high as the hands reach with the arms straight up.
	HighestGrip measure.Length
}

// floorGrip is the height of the hands at a tote on the floor.
const floorGrip = 150 * measure.PerMillimetre

// StationsFor are the stations for a stature. The heights of the landmarks are published; which landmark stands for which station is common
// practice without a source, and the clinician sets the shelf to the person.
func StationsFor(stature measure.Length) (Stations, error) {
	var v violations
	v.stature(stature)
	if err := fault.InvalidFields(v); err != nil {
		return Stations{}, err
	}
	return Stations{
		Floor:       floorGrip,
		Waist:       share(stature, heightHip),
		Shoulder:    share(stature, heightShoulder),
		Overhead:    stature,
		HighestGrip: share(stature, heightShoulder+upperArm+forearm+gripPoint),
	}, nil
}

// ends are the heights of the hands at the ends of a zone: the first n of two.
func (s *Stations) ends(zone record.Zone) (heights [2]measure.Length, n int) {
	switch zone {
	case record.FloorWaist:
		return [2]measure.Length{s.Floor, s.Waist}, 2
	case record.WaistShoulder:
		return [2]measure.Length{s.Waist, s.Shoulder}, 2
	case record.ShoulderOverhead:
		return [2]measure.Length{s.Shoulder, s.Overhead}, 2
	case record.FloorShoulder:
		return [2]measure.Length{s.Floor, s.Shoulder}, 2
	case record.Carry:
		return [2]measure.Length{s.Waist}, 1
	}
	return heights, 0
}

// FractionCeiling is the load that is that many percent of body mass, exactly, rounded down to 1e-11 kg. The published progressive protocol
// ends at 55 to 60 % (Mayer et al., Spine 1988;13(9):993-997, via a handbook).
func FractionCeiling(bodyMass mass.Mass, percent int) (mass.Mass, error) {
	var v violations
	v.bodyMass(bodyMass)
	if percent < 1 || percent > 200 {
		v.add("percent", RulePercent, "a share of body mass is 1 to 200 %")
	}
	if err := fault.InvalidFields(v); err != nil {
		return mass.Zero(), err
	}
	// At most 3.5e13 units times 200.
	return mass.FromUnits(bodyMass.Units() * int64(percent) / 100), nil
}
