package advise

import (
	"strconv"

	"ponderal.example/internal/engine/body"
	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// ceiling is a load that may not be exceeded; not known where the protocol sets none of its kind, and where it cannot be worked out, which is then
// among the reasons.
type ceiling struct {
	load  mass.Mass
	known bool
}

func (c ceiling) below(load mass.Mass) bool { return c.known && c.load.Less(load) }

// ceilings are those by their basis.
type ceilings struct{ protocol, body, spine ceiling }

// lowest is the lowest of the ceilings that are known.
func (c *ceilings) lowest() ceiling {
	low := c.protocol
	for _, one := range [...]ceiling{c.body, c.spine} {
		if one.known && (!low.known || one.load.Less(low.load)) {
			low = one
		}
	}
	return low
}

// ceilings works out the ceilings for this person. What one lacks is waited for, and a figure that no person has counts as lacking.
func (j *judge) ceilings() {
	p := &j.in.Protocol
	if p.LoadCeiling != nil {
		j.ceiling.protocol = ceiling{*p.LoadCeiling, true}
	}
	if p.PercentOfBodyMass != 0 {
		j.shareOfBody(p.PercentOfBodyMass)
	}
	if p.Compression != nil {
		j.compression(p.Compression)
	}
}

const (
	lacksBodyMass = "body mass"
	lacksStature  = "stature"
)

// The body measures that are believed, of which package body works out a ceiling.
const (
	leastBodyUnits, mostBodyUnits = 20 * unitsPerKilogram, 350 * unitsPerKilogram
	leastStature, mostStature     = 1000, 2500
	unitsPerKilogram              = 100_000_000_000
)

func (j *judge) hasBodyMass() bool {
	m := j.in.Person.BodyMass
	return m != nil && m.Units() >= leastBodyUnits && m.Units() <= mostBodyUnits
}

func (j *judge) hasStature() bool {
	return j.in.Person.StatureMM >= leastStature && j.in.Person.StatureMM <= mostStature
}

func (j *judge) shareOfBody(percent int) {
	if !j.hasBodyMass() {
		j.missing(lacksBodyMass, "The load ceiling is a part of the body mass, which is not given or not from 20 to 350 kg.")
		return
	}
	limit, err := body.FractionCeiling(*j.in.Person.BodyMass, percent)
	if err != nil {
		j.say(Stop, GuardProtocol, strconv.Itoa(percent)+" %", "1 to 200 %", "The protocol's load ceiling is a part of the body mass that cannot be.")
		return
	}
	j.ceiling.body = ceiling{limit, true}
}

func (j *judge) compression(c *record.CompressionLimit) {
	if !j.hasStature() {
		j.missing(lacksStature, "The load ceiling by estimated compression needs the stature, which is not given or not from 1000 to 2500 mm.")
	}
	if !j.hasBodyMass() {
		j.missing(lacksBodyMass, "The load ceiling by estimated compression needs the body mass, which is not given or not from 20 to 350 kg.")
	}
	if !j.hasStature() || !j.hasBodyMass() {
		return
	}
	model := body.Model{MuscleArmMillimetres: c.MuscleArmMM, CriterionNewtons: c.CriterionNewtons}
	if model.MuscleArmMillimetres == 0 {
		model.MuscleArmMillimetres = body.DefaultModel().MuscleArmMillimetres
	}
	forward := c.ForwardMM
	if forward == 0 {
		forward = defaultForward
	}
	who := body.Person{Stature: millimetres(j.in.Person.StatureMM), Mass: *j.in.Person.BodyMass}
	found, err := body.CompressionCeiling(who, j.in.Series.Zone, millimetres(forward), model)
	if err != nil {
		j.say(Stop, GuardProtocol, string(j.in.Series.Zone), "", "The protocol's load ceiling by estimated compression cannot be worked out for this zone with these figures.")
		return
	}
	j.ceiling.spine = ceiling{found.Load, true}
}

// defaultForward is how far before the ankles the load is held where a protocol does not say it, in millimetres: the least distance of the
// revised lifting equation, 25 cm.
const defaultForward = 250

func millimetres(n int) measure.Length { return measure.Length(n) * measure.PerMillimetre }

// above says which ceilings a load is above; each with its number, and what it comes from.
func (j *judge) above(load mass.Mass, text string) {
	if c := j.ceiling.protocol; c.below(load) {
		j.say(Stop, record.GuardLoadCeiling, load.String(), c.load.String(), text)
	}
	j.aboveOwn(load, text)
}

// aboveOwn are those of the ceilings that depend on the person.
func (j *judge) aboveOwn(load mass.Mass, text string) {
	c, p := &j.ceiling, &j.in.Protocol
	if c.body.below(load) {
		j.say(Stop, record.GuardLoadCeiling, load.String(), bothUnits(c.body.load)+", "+strconv.Itoa(p.PercentOfBodyMass)+" % of body mass", text)
	}
	if c.spine.below(load) {
		j.say(Stop, record.GuardLoadCeiling, load.String(), bothUnits(c.spine.load)+", estimated compression at L5/S1 of "+
			strconv.Itoa(p.Compression.CriterionNewtons)+" N", text)
	}
}

func bothUnits(m mass.Mass) string {
	return m.Rounded(mass.Pound, 1) + " lb (" + m.Rounded(mass.Kilogram, 1) + " kg)"
}
