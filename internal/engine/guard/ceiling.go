package guard

import (
	"errors"
	"strconv"
	"strings"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// ceiling is one load ceiling; figure is the percentage or the newtons of its basis. Where it could not be worked out, lacks says why.
type ceiling struct {
	basis  record.CeilingBasis
	figure int
	load   mass.Mass
	lacks  string
}

// ceilings are those that a protocol sets: the known ones first, lowest first, of equal ones in the order protocol, body mass, compression.
type ceilings struct {
	at [3]ceiling
	n  int
}

// add puts a ceiling in its place. They are added in the order in which equal ones stand.
func (c *ceilings) add(next ceiling) {
	i := c.n
	for ; i > 0 && next.lacks == "" && (c.at[i-1].lacks != "" || next.load.Less(c.at[i-1].load)); i-- {
		c.at[i] = c.at[i-1]
	}
	c.at[i] = next
	c.n++
}

// lowest is what a load is held against; nil where no ceiling is known.
func (c *ceilings) lowest() *ceiling {
	if c.n == 0 || c.at[0].lacks != "" {
		return nil
	}
	return &c.at[0]
}

func (c *ceilings) protocol(p *record.Protocol) {
	if p.LoadCeiling != nil {
		c.add(ceiling{basis: record.CeilingProtocol, load: *p.LoadCeiling})
	}
}

// What the ceilings of a person need.
const (
	needsStature  = "stature"
	needsBodyMass = "body mass"
)

// ofBodyMass is a percentage of the body mass: the published progressive protocol ends at 55 to 60 % (Mayer et al., Spine
// 1988;13(9):993-997, via a handbook).
func (c *ceilings) ofBodyMass(percent int, b *record.BodyMeasures) {
	next := ceiling{basis: record.CeilingBodyMass, figure: percent}
	if b == nil || b.Mass == nil {
		next.lacks = "missing: " + needsBodyMass
	} else {
		load, err := body.FractionCeiling(*b.Mass, percent)
		next.load, next.lacks = load, reason(err)
	}
	c.add(next)
}

// The figures of a compression limit that leaves them to us: the muscle's lever arm and how far before the ankles the load is held.
const (
	usualForwardMM = 250
	// mostMM is far beyond any length of a person, within what a length can hold.
	mostMM = 1_000_000
)

// ofCompression is the load at which the static model of package body meets the criterion. The model is of lifts and carries: for a push or a pull
// there is no such ceiling.
func (c *ceilings) ofCompression(limit *record.CompressionLimit, b *record.BodyMeasures, zone record.Zone) {
	if zone == record.Push || zone == record.Pull {
		return
	}
	next := ceiling{basis: record.CeilingCompression, figure: limit.CriterionNewtons}
	switch {
	case b == nil || b.StatureMM <= 0 && b.Mass == nil:
		next.lacks = "missing: " + needsStature + ", " + needsBodyMass
	case b.StatureMM <= 0:
		next.lacks = "missing: " + needsStature
	case b.Mass == nil:
		next.lacks = "missing: " + needsBodyMass
	default:
		model := body.Model{MuscleArmMillimetres: limit.MuscleArmMM, CriterionNewtons: limit.CriterionNewtons}
		if model.MuscleArmMillimetres == 0 {
			model.MuscleArmMillimetres = body.DefaultModel().MuscleArmMillimetres
		}
		forward := limit.ForwardMM
		if forward == 0 {
			forward = usualForwardMM
		}
		who := body.Person{Stature: millimetres(b.StatureMM), Mass: *b.Mass}
		found, err := body.CompressionCeiling(who, zone, millimetres(forward), model)
		next.load, next.lacks = found.Load, reason(err)
	}
	c.add(next)
}

func millimetres(n int) measure.Length {
	return measure.Length(min(n, mostMM)) * measure.PerMillimetre
}

// reason is the text of the rules that a ceiling's figures broke; empty when they broke none.
func reason(err error) string {
	if err == nil {
		return ""
	}
	var broken *fault.Error
	if !errors.As(err, &broken) || len(broken.Violations) == 0 {
		return "it could not be worked out"
	}
	texts := make([]string, len(broken.Violations))
	for i, v := range broken.Violations {
		texts[i] = v.Text
	}
	return strings.Join(texts, "; ")
}

// basisText says what the ceiling comes from.
func (c *ceiling) basisText() string {
	switch c.basis {
	case record.CeilingBodyMass:
		return strconv.Itoa(c.figure) + " % of body mass"
	case record.CeilingCompression:
		return "estimated compression of " + strconv.Itoa(c.figure) + " N at L5/S1"
	}
	return "load ceiling of the protocol"
}

// limitText is the ceiling as a hit names it: the protocol's own is its load alone.
func (c *ceiling) limitText() string {
	if c.basis == record.CeilingProtocol {
		return c.load.String()
	}
	return c.load.String() + " (" + c.basisText() + ")"
}

// Ceilings lists every ceiling that the protocol sets for this person, lowest first, then those that could not be worked out; nil where there is
// none. The text is what the ceiling comes from, "60 % of body mass", and after a semicolon what is missing, "missing: stature, body mass", or
// the rules of package body that a figure breaks. A load exactly at a ceiling is within it. The caller owns the list.
//
// A ceiling by estimated compression rests on a static model of an average body: see package body for what that leaves out. It is a
// reference, not a safe limit for a person.
func (l *Limits) Ceilings() []record.LoadCeiling {
	if l.ceilings.n == 0 {
		return nil
	}
	list := make([]record.LoadCeiling, l.ceilings.n)
	for i := range list {
		c := &l.ceilings.at[i]
		list[i] = record.LoadCeiling{Basis: c.basis, Text: c.basisText()}
		if c.lacks != "" {
			list[i].Text += "; " + c.lacks
			continue
		}
		load := c.load
		list[i].Load = &load
	}
	return list
}
