package library

import (
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// What came later stands beside the first house protocols and changes none of them: a protocol in use is named by its digest.

// The sources of the further protocols. 3400 N is the criterion of NIOSH 81-122 (1981) and of the revised lifting equation (Waters et al. 1993).
const (
	kilogramSource = houseSource + " In kilograms, for kits weighed in kilograms."
	ceilingSource  = " Ceiling by estimated compression: 3400 N (NIOSH 1981, 1993), a reference for the design of work and no safe limit for a " +
		"person; a heavy person's own trunk may reach it without a load, and then another protocol is chosen."
	frequentSource = houseSource + " The steady heart rate of each trial is recorded."
)

// The frequent pace, common practice, no source: four lifts a minute for five minutes, two minutes of rest between trials.
const (
	frequentLifts   = 4
	frequentMinutes = 5
	frequentRest    = 120 // seconds
	frequentTrials  = 10
)

// series is what one house protocol of those that came later is made of.
type series struct {
	name        string
	zone        record.Zone
	pounds      int64 // the ceiling
	kilograms10 int64 // the ceiling of the twin in kilograms, in tenths of a kilogram; never above that in pounds
	pace        record.Pace
}

// The ceilings at the pace frequent are half of those at the pace occasional or less; common practice, no source.
func furtherSeries() (occasional, frequent []series) {
	occasional = []series{
		{"House: lift, floor to waist, occasional", record.FloorWaist, 100, 450, record.Occasional},
		{"House: lift, waist to shoulder, occasional", record.WaistShoulder, 75, 325, record.Occasional},
		{"House: lift, shoulder to overhead, occasional", record.ShoulderOverhead, 50, 225, record.Occasional},
		{"House: lift, floor to shoulder, occasional", record.FloorShoulder, 75, 325, record.Occasional},
		{"House: carry, occasional", record.Carry, 100, 450, record.Occasional},
		{"House: push, occasional", record.Push, 100, 450, record.Occasional},
		{"House: pull, occasional", record.Pull, 100, 450, record.Occasional},
	}
	frequent = []series{
		{"House: lift, floor to waist, frequent", record.FloorWaist, 50, 225, record.Frequent},
		{"House: lift, waist to shoulder, frequent", record.WaistShoulder, 35, 150, record.Frequent},
		{"House: lift, shoulder to overhead, frequent", record.ShoulderOverhead, 25, 100, record.Frequent},
		{"House: lift, floor to shoulder, frequent", record.FloorShoulder, 35, 150, record.Frequent},
		{"House: carry, frequent", record.Carry, 50, 225, record.Frequent},
	}
	return occasional, frequent
}

// Beside returns the house protocols that came later, in a fixed order: at the pace occasional in kilograms, by zone; the lifts with a ceiling by
// estimated compression, in pounds and then in kilograms; and at the pace frequent the lifts with that ceiling and the carry, in pounds and
// then in kilograms. A clinic that measures neither stature nor body mass takes one without that ceiling: advice waits for what a ceiling
// needs.
func Beside() []record.Protocol {
	occasional, frequent := furtherSeries()
	var all []record.Protocol
	for _, s := range occasional {
		all = append(all, s.inKilograms())
	}
	for _, unit := range []mass.Unit{mass.Pound, mass.Kilogram} {
		for _, s := range occasional {
			if s.zone.Lifting() {
				all = append(all, withCompression(s.in(unit)))
			}
		}
	}
	for _, unit := range []mass.Unit{mass.Pound, mass.Kilogram} {
		for _, s := range frequent {
			p := atFrequentPace(s.in(unit), unit)
			if s.zone.Lifting() {
				p = withCompression(p)
			}
			all = append(all, p)
		}
	}
	return all
}

func (s series) in(unit mass.Unit) record.Protocol {
	if unit == mass.Kilogram {
		return s.inKilograms()
	}
	return house(s.name, s.zone, s.pounds)
}

// inKilograms starts at 5 kg and goes up by 5 kg, 2.5 kg from the rating 6 and 1.25 kg from the rating 7, one step of 2.5 kg back after a
// failed trial.
func (s series) inKilograms() record.Protocol {
	p := house(s.name+", kilograms", s.zone, s.pounds)
	highest, back := grams(100*s.kilograms10), grams(2500)
	p.StartLoad, p.LoadCeiling, p.BackOff, p.Source = grams(5000), &highest, &back, kilogramSource
	p.Steps = []record.LoadStep{
		{FromEffort: 0, Increment: grams(5000)},
		{FromEffort: 12, Increment: grams(2500)},
		{FromEffort: 14, Increment: grams(1250)},
	}
	return p
}

// atFrequentPace makes a protocol one of the pace frequent, with half the steps.
func atFrequentPace(p record.Protocol, unit mass.Unit) record.Protocol {
	p.Pace, p.LiftsPerMinute, p.Minutes, p.Repetitions = record.Frequent, frequentLifts, frequentMinutes, frequentLifts*frequentMinutes
	p.RestSeconds, p.MaxTrials, p.Source = frequentRest, frequentTrials, frequentSource
	large, small := pounds(5), halfPounds(5)
	if unit == mass.Kilogram {
		large, small = grams(2500), grams(1250)
	}
	back := small
	p.Steps, p.BackOff = []record.LoadStep{{FromEffort: 0, Increment: large}, {FromEffort: 12, Increment: small}}, &back
	return p
}

func withCompression(p record.Protocol) record.Protocol {
	p.Name += ", with ceilings"
	p.Source += ceilingSource
	p.Compression = &record.CompressionLimit{CriterionNewtons: 3400}
	return p
}
