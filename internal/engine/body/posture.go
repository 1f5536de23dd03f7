package body

import (
	"math"

	"ponderal.example/internal/engine/measure"
)

// Posture is how the model stands, seen from the side: legs straight and upright, the trunk one straight line from hip to shoulder, bent
// forward no more than the arms need to reach the hands. Where the hands are so low that the trunk would pass the level, it stays level and
// the hip goes down, as in bending the knees.
type Posture struct {
	// TrunkSin and TrunkCos are of the trunk's angle from upright.
	TrunkSin, TrunkCos float64
	// HipHeight and HandHeight in metres above the floor.
	HipHeight, HandHeight float64
	// trunkArm, armsArm and loadArm are the horizontal distances from L5/S1, in metres.
	trunkArm, armsArm, loadArm float64
}

// postureOf finds the posture; not ok when the arms do not reach.
func postureOf(stature measure.Length, hands Hands) (Posture, bool) {
	s := stature.In(measure.Metre)
	line, reach := float64(trunk/1000.0*s), float64(armReach*s)
	p := Posture{TrunkCos: 1, HipHeight: float64(float64(heightHip) / 1000 * s), HandHeight: hands.Height.In(measure.Metre)}
	x := hands.Forward.In(measure.Metre)
	if !p.bend(line, reach, x) {
		return Posture{}, false
	}
	shoulder := float64(line * p.TrunkSin)
	joint := float64(jointUp * shoulder)
	p.trunkArm = float64((upperTrunkCOM - jointUp) * shoulder)
	p.armsArm = shoulder + float64(armCOMShare*(x-shoulder)) - joint
	p.loadArm = x - joint
	return p, true
}

// bend sets the trunk's angle and the hip: line is from hip to shoulder, reach from shoulder to grip, x how far before the hip the hands are.
func (p *Posture) bend(line, reach, x float64) bool {
	y := p.HandHeight - p.HipHeight
	square := float64(x*x) + float64(y*y)
	if upright := float64(x*x) + float64((y-line)*(y-line)); upright <= float64(reach*reach) {
		return true
	}
	// From hip to hands, at an angle φ from upright: the trunk at θ reaches them when cos(φ-θ) is at least q.
	far := math.Sqrt(square)
	q := (square + float64(line*line) - float64(reach*reach)) / float64(2*float64(line*far))
	if !(q <= 1) {
		return false
	}
	// Not upright, so q is above cos φ and -1: θ = φ - arccos q is above 0.
	rest := math.Sqrt(max(0, 1-float64(q*q)))
	sin := float64(x/far*q) - float64(y/far*rest)
	cos := float64(y/far*q) + float64(x/far*rest)
	if cos >= 0 {
		p.TrunkSin, p.TrunkCos = max(0, sin), cos
		return true
	}
	return p.crouch(line, reach, x)
}

// crouch keeps the trunk level and lowers the hip until the arms reach.
func (p *Posture) crouch(line, reach, x float64) bool {
	drop := float64(reach*reach) - float64((x-line)*(x-line))
	if !(drop >= 0) {
		return false
	}
	p.TrunkSin, p.TrunkCos = 1, 0
	p.HipHeight = min(p.HipHeight, p.HandHeight+math.Sqrt(drop))
	return true
}
