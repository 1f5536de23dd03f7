package body

import (
	"math"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Published criteria for compression at L5/S1, in newtons. They are references for the design of work.
const (
	// ActionLimit1981 and the criterion of 1991: 3.4 kN (NIOSH 81-122, 1981: 350 kg; Waters et al., Ergonomics 1993;36(7):749-776).
	ActionLimit1981 = 3400
	// MaximumPermissible1981: 6.4 kN (NIOSH 81-122, 1981: 650 kg).
	MaximumPermissible1981 = 6400
)

// Balance is the balance of moments about a joint and of forces on it, with one muscle (the form of OpenStax, College Physics 2e, section
// 9.6). Masses in kilograms, lengths in metres, forces in newtons.
type Balance struct {
	BodyMass, LoadMass float64
	// BodyArm, LoadArm and MuscleArm are the lever arms of the weight above the joint, of the load and of the muscle.
	BodyArm, LoadArm, MuscleArm float64
	// MuscleSin and MuscleCos are of the angle of the muscle's line from the horizontal.
	MuscleSin, MuscleCos float64
	Gravity              float64
}

// Forces are those of a balance, in newtons.
type Forces struct {
	// Muscle is never below zero: a muscle cannot push.
	Muscle float64
	// Horizontal and Vertical make the force on the joint, Resultant.
	Horizontal, Vertical, Resultant float64
	// Compression is along the muscle's line, which the model takes for the axis of the spine, Shear across it.
	Compression, Shear float64
}

// muscle balances the moments; weight is of the body above the joint and of the load.
func (b *Balance) muscle() (force, weight float64) {
	moment := float64(b.BodyArm*b.BodyMass) + float64(b.LoadArm*b.LoadMass)
	return max(0, float64(moment*b.Gravity)/b.MuscleArm), float64((b.BodyMass + b.LoadMass) * b.Gravity)
}

// compression is that of solve, alone.
func (b *Balance) compression() float64 {
	force, weight := b.muscle()
	return force + float64(weight*b.MuscleSin)
}

// solve balances the moments, then the forces.
func (b Balance) solve() Forces {
	force, weight := b.muscle()
	f := Forces{Muscle: force}
	f.Horizontal = float64(f.Muscle * b.MuscleCos)
	f.Vertical = weight + float64(f.Muscle*b.MuscleSin)
	f.Resultant = math.Sqrt(float64(f.Horizontal*f.Horizontal) + float64(f.Vertical*f.Vertical))
	f.Compression = f.Muscle + float64(weight*b.MuscleSin)
	f.Shear = float64(weight * b.MuscleCos)
	return f
}

// Solve checks the figures (masses 0 to 1000 kg, arms of weights -2 to 2 m, of the muscle 0.01 to 0.2 m, a unit direction, gravity 9 to 10) and
// balances them.
func (b Balance) Solve() (Forces, error) {
	var v violations
	span := func(field string, x, low, high float64) {
		if !(x >= low && x <= high) {
			v.add(field, RuleModel, "the figure is outside the range of the model")
		}
	}
	span("body_mass", b.BodyMass, 0, 1000)
	span("load_mass", b.LoadMass, 0, 1000)
	span("body_arm", b.BodyArm, -2, 2)
	span("load_arm", b.LoadArm, -2, 2)
	span("muscle_arm", b.MuscleArm, 0.01, 0.2)
	span("gravity", b.Gravity, 9, 10)
	if norm := float64(b.MuscleSin*b.MuscleSin) + float64(b.MuscleCos*b.MuscleCos); !(math.Abs(norm-1) <= 1e-9) {
		v.add("muscle_direction", RuleModel, "sine and cosine are of one angle")
	}
	if err := fault.InvalidFields(v); err != nil {
		return Forces{}, err
	}
	return b.solve(), nil
}

// Person is who lifts.
type Person struct {
	// Stature 1.00 to 2.50 m, Mass 20 to 350 kg.
	Stature measure.Length
	Mass    mass.Mass
}

// Hands is where the load is held: 0 to 3 m above the floor and 0.25 to 1.00 m before the ankles (the revised lifting equation takes 0.25 m, 10 in,
// for the least).
type Hands struct {
	Height, Forward measure.Length
}

// Model are the figures that a clinic may set.
type Model struct {
	// MuscleArm is the lever arm of the back's extensors in millimetres, 30 to 100. From memory: textbooks use 50 to 60; the worked example
	// of OpenStax has 80.
	MuscleArmMillimetres int
	// CriterionNewtons is the compression that the ceiling must not exceed, 1000 to 10,000.
	CriterionNewtons int
}

// DefaultModel has an arm of 50 mm, the most cautious of the textbook figures, and 3400 N.
func DefaultModel() Model { return Model{MuscleArmMillimetres: 50, CriterionNewtons: ActionLimit1981} }

// gravity is standard gravity in m/s² (3rd CGPM, 1901).
const gravity = 9.80665

func (v *violations) model(m Model) {
	if m.MuscleArmMillimetres < 30 || m.MuscleArmMillimetres > 100 {
		v.add("model.muscle_arm_millimetres", RuleModel, "the muscle's lever arm is 30 to 100 mm")
	}
	if m.CriterionNewtons < 1000 || m.CriterionNewtons > 10_000 {
		v.add("model.criterion_newtons", RuleModel, "the criterion is 1000 to 10000 N")
	}
}

func (v *violations) hands(h Hands) {
	if h.Height < 0 || h.Height > 3*measure.PerMetre {
		v.add("hands.height", RuleHands, "the hands are 0 to 3 m above the floor")
	}
	v.forward("hands.forward", h.Forward)
}

func (v *violations) forward(field string, l measure.Length) {
	if l < measure.PerMetre/4 || l > measure.PerMetre {
		v.add(field, RuleHands, "the hands are 0.25 to 1.00 m before the ankles")
	}
}

// Estimate is the compression of one posture.
type Estimate struct {
	Posture
	Forces
}

// Compression estimates the forces at L5/S1 while a load is held still.
func Compression(p Person, h Hands, load mass.Mass, m Model) (Estimate, error) {
	var v violations
	v.stature(p.Stature)
	v.bodyMass(p.Mass)
	v.hands(h)
	v.model(m)
	if units := load.Units(); units < 0 || units > maxLoad {
		v.add("load", RuleLoad, "a load is 0 to 1000 kg")
	}
	if err := fault.InvalidFields(v); err != nil {
		return Estimate{}, err
	}
	posture, ok := postureOf(p.Stature, h)
	if !ok {
		v.add("hands", RuleReach, "the arms do not reach there")
		return Estimate{}, fault.InvalidFields(v)
	}
	return Estimate{posture, posture.balance(p, kilograms(load), m).solve()}, nil
}

// kilograms is the float64 nearest to the mass.
func kilograms(m mass.Mass) float64 { return float64(float64(m.Units()) / 1e11) }

// balance puts the posture's arms into the balance.
func (p *Posture) balance(who Person, load float64, m Model) Balance {
	body := kilograms(who.Mass)
	above := upperTrunk + arms
	arm := (float64(upperTrunk*p.trunkArm) + float64(arms*p.armsArm)) / above
	return Balance{
		BodyMass: float64(body * above), LoadMass: load,
		BodyArm: arm, LoadArm: p.loadArm, MuscleArm: float64(float64(m.MuscleArmMillimetres) / 1000),
		// The muscle runs along the trunk: its angle from the horizontal is what the trunk's from the vertical leaves of a right angle.
		MuscleSin: p.TrunkCos, MuscleCos: p.TrunkSin,
		Gravity: gravity,
	}
}

// Ceiling is the load at which the estimate meets the criterion.
type Ceiling struct {
	// Load is rounded down to 0.1 kg, finer than the model is worth; nothing when the body alone reaches the criterion.
	Load mass.Mass
	// At is the end of the zone that sets it.
	At Hands
	// Empty is the estimate there without a load, AtCeiling with it.
	Empty, AtCeiling Estimate
}

// CompressionCeiling is the highest load in a zone whose estimated compression does not exceed the criterion at either end of the zone, held
// that far before the ankles. It is at most 1000 kg.
func CompressionCeiling(p Person, zone record.Zone, forward measure.Length, m Model) (Ceiling, error) {
	var v violations
	v.stature(p.Stature)
	v.bodyMass(p.Mass)
	v.forward("forward", forward)
	v.model(m)
	stations, _ := StationsFor(p.Stature)
	ends, n := stations.ends(zone)
	if n == 0 {
		v.add("zone", RuleZone, "the model is of lifts and carries")
	}
	if err := fault.InvalidFields(v); err != nil {
		return Ceiling{}, err
	}
	var lowest Posture
	var at Hands
	var load mass.Mass
	for i, height := range ends[:n] {
		h := Hands{Height: height, Forward: forward}
		posture, ok := postureOf(p.Stature, h)
		if !ok {
			v.add("forward", RuleReach, "the arms do not reach that far at an end of the zone")
			return Ceiling{}, fault.InvalidFields(v)
		}
		if c := posture.ceiling(p, m); i == 0 || c.Less(load) {
			lowest, at, load = posture, h, c
		}
	}
	return Ceiling{
		Load: load, At: at, Empty: Estimate{lowest, lowest.balance(p, 0, m).solve()},
		AtCeiling: Estimate{lowest, lowest.balance(p, kilograms(load), m).solve()},
	}, nil
}

// ceiling solves for the load. Hands are at least 0.25 m before the ankles and L5/S1 at most 0.15 m, so that every load adds to the
// compression, in proportion to its mass.
func (p *Posture) ceiling(who Person, m Model) mass.Mass {
	empty := p.balance(who, 0, m)
	each := float64((empty.LoadArm/empty.MuscleArm + empty.MuscleSin) * gravity)
	spare := float64(m.CriterionNewtons) - empty.compression()
	if tenths := math.Floor(float64(spare / each * 10)); tenths > 0 {
		return mass.FromUnits(min(int64(min(tenths, 1e6))*(unitsPerKilogram/10), maxLoad))
	}
	return mass.Zero()
}
