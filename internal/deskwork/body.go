package deskwork

import (
	"errors"
	"math"
	"slices"
	"strconv"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// BodyQuestion is who lifts and what is asked. Zones empty asks for all that the model has. Percent is of body mass, 0 for no such ceiling;
// CriterionNewtons, MuscleArmMM and Forward are figures of the model, 0 for the usual ones. Load is nil where none is asked about.
type BodyQuestion struct {
	Stature          Length
	Mass             mass.Mass
	Zones            []record.Zone
	Percent          int
	CriterionNewtons int
	MuscleArmMM      int
	Forward          Length
	Load             *mass.Mass
}

// usualForward is how far before the ankles a load is held at least (the revised lifting equation, 10 in as 25 cm).
const usualForward = 25 * measure.PerCentimetre

// LandmarkHeight is how high a point of the standing body is.
type LandmarkHeight struct {
	Name   string
	Height Length
}

// PostureEstimate is one posture with its forces in newtons. TrunkDegrees is the trunk's angle from upright, HipHeight in metres.
type PostureEstimate struct {
	At           body.Hands
	TrunkDegrees float64
	HipHeight    float64
	Forces       body.Forces
}

// ZoneCeiling is what the model says of a zone. Load is nil where the body alone reaches the criterion, AtLoad empty and Within nil where no
// load is asked about. NotComputed says why there is none of it; empty where there is.
type ZoneCeiling struct {
	Zone             record.Zone
	Load             *mass.Mass
	Empty, AtCeiling PostureEstimate
	AtLoad           []PostureEstimate
	Within           *bool
	NotComputed      string
}

// BodyLimits is the answer. Fraction is nil where no share of body mass was asked for.
type BodyLimits struct {
	Stations         body.Stations
	Landmarks        []LandmarkHeight
	Percent          int
	Fraction         *mass.Mass
	FractionSource   string
	Ceilings         []ZoneCeiling
	CriterionNewtons int
	MuscleArmMM      int
	Forward          Length
	Load             *mass.Mass
	LeftOut, Sources []string
	Cautions         []record.Remark
}

// modelZones are the zones that the model has.
func modelZones() []record.Zone {
	return []record.Zone{record.FloorWaist, record.WaistShoulder, record.ShoulderOverhead, record.FloorShoulder, record.Carry}
}

// GetBodyLimits works out stations, landmarks and ceilings for a person of that stature and body mass.
func GetBodyLimits(q BodyQuestion) (BodyLimits, error) {
	model := q.complete()
	out := BodyLimits{
		Percent: q.Percent, CriterionNewtons: model.CriterionNewtons, MuscleArmMM: model.MuscleArmMillimetres, Forward: q.Forward, Load: q.Load,
		LeftOut: compressionLeavesOut(), Sources: bodySources(), Cautions: bodyCautions(),
	}
	if err := fault.InvalidFields(q.check(model)); err != nil {
		return BodyLimits{}, err
	}
	var err error
	if out.Stations, err = body.StationsFor(q.Stature); err != nil {
		return BodyLimits{}, renamed(err, bodyPath)
	}
	for _, l := range body.Landmarks() {
		h, err := body.Height(l, q.Stature)
		if err != nil {
			return BodyLimits{}, renamed(err, bodyPath)
		}
		out.Landmarks = append(out.Landmarks, LandmarkHeight{Name: string(l), Height: h})
	}
	if q.Percent != 0 {
		load, err := body.FractionCeiling(q.Mass, q.Percent)
		if err != nil {
			return BodyLimits{}, renamed(err, bodyPath)
		}
		out.Fraction, out.FractionSource = &load, fractionSource
	}
	for _, z := range q.Zones {
		c, err := q.ceiling(z, model, out.Stations)
		if err != nil {
			return BodyLimits{}, err
		}
		out.Ceilings = append(out.Ceilings, c)
	}
	return out, nil
}

// complete fills in what the question leaves to the usual figures.
func (q *BodyQuestion) complete() body.Model {
	m := body.DefaultModel()
	if q.CriterionNewtons != 0 {
		m.CriterionNewtons = q.CriterionNewtons
	}
	if q.MuscleArmMM != 0 {
		m.MuscleArmMillimetres = q.MuscleArmMM
	}
	if q.Forward == 0 {
		q.Forward = usualForward
	}
	if len(q.Zones) == 0 {
		q.Zones = modelZones()
	}
	return m
}

// check names all that is wrong at once: the engine is asked for the estimate of one posture, which reads every figure.
func (q BodyQuestion) check(m body.Model) []fault.Violation {
	load := mass.Zero()
	if q.Load != nil {
		load = *q.Load
	}
	_, err := body.Compression(q.person(), body.Hands{Height: measure.PerMetre, Forward: q.Forward}, load, m)
	var found []fault.Violation
	for _, v := range violationsOf(renamed(err, bodyPath)) {
		if v.Rule != body.RuleReach {
			found = append(found, v)
		}
	}
	seen := map[record.Zone]bool{}
	for i, z := range q.Zones {
		at := "zones[" + strconv.Itoa(i) + "]"
		if !slices.Contains(modelZones(), z) {
			found = append(found, fault.Violation{Field: at, Rule: body.RuleZone, Text: "the model is of lifts and carries"})
		}
		if seen[z] {
			found = append(found, fault.Violation{Field: at, Rule: "body.zone_once", Text: "each zone is asked for once"})
		}
		seen[z] = true
	}
	return found
}

func (q BodyQuestion) person() body.Person { return body.Person{Stature: q.Stature, Mass: q.Mass} }

// ceiling asks the model of one zone. That the arms do not reach is an answer.
func (q BodyQuestion) ceiling(zone record.Zone, m body.Model, s body.Stations) (ZoneCeiling, error) {
	out := ZoneCeiling{Zone: zone}
	c, err := body.CompressionCeiling(q.person(), zone, q.Forward, m)
	if outOfReach(err) {
		out.NotComputed = "the arms do not reach that far before the ankles at an end of the zone"
		return out, nil
	}
	if err != nil {
		return ZoneCeiling{}, renamed(err, bodyPath)
	}
	if !c.Load.IsZero() {
		out.Load = &c.Load
	}
	out.Empty, out.AtCeiling = postureOf(c.At, c.Empty), postureOf(c.At, c.AtCeiling)
	if q.Load == nil {
		return out, nil
	}
	within := true
	for _, height := range zoneEnds(zone, s) {
		at := body.Hands{Height: height, Forward: q.Forward}
		e, err := body.Compression(q.person(), at, *q.Load, m)
		if err != nil {
			return ZoneCeiling{}, renamed(err, bodyPath)
		}
		out.AtLoad = append(out.AtLoad, postureOf(at, e))
		within = within && e.Compression <= float64(m.CriterionNewtons)
	}
	out.Within = &within
	return out, nil
}

func outOfReach(err error) bool {
	var f *fault.Error
	return errors.As(err, &f) && len(f.Violations) == 1 && f.Violations[0].Rule == body.RuleReach
}

// zoneEnds are the heights of the hands at the ends of a zone, the lower first; a load is carried at one height.
func zoneEnds(zone record.Zone, s body.Stations) []Length {
	switch zone {
	case record.FloorWaist:
		return []Length{s.Floor, s.Waist}
	case record.WaistShoulder:
		return []Length{s.Waist, s.Shoulder}
	case record.ShoulderOverhead:
		return []Length{s.Shoulder, s.Overhead}
	case record.FloorShoulder:
		return []Length{s.Floor, s.Shoulder}
	}
	return []Length{s.Waist}
}

// postureOf rounds the angle to a tenth of a degree: an arc tangent's last places may differ between machines.
func postureOf(at body.Hands, e body.Estimate) PostureEstimate {
	degrees := math.Atan2(e.TrunkSin, e.TrunkCos) * 180 / math.Pi
	return PostureEstimate{At: at, TrunkDegrees: math.Round(degrees*10) / 10, HipHeight: e.HipHeight, Forces: e.Forces}
}

// bodyPath is the contract's path of a field of the engine's.
func bodyPath(field string) string {
	switch field {
	case "percent":
		return "percent_of_body_mass"
	case "hands.forward", "forward", "hands":
		return "model.forward"
	case "model.muscle_arm_millimetres":
		return "model.muscle_arm_mm"
	}
	return field
}
