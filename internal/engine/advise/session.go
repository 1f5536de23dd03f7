package advise

import (
	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/engine/screen"
	"ponderal.example/internal/record"
)

// protocol reports whether the protocol can be followed; if not, nothing is done under it.
func (j *judge) protocol() bool {
	p := &j.in.Protocol
	broken := ""
	if found := record.CheckProtocol(*p, ""); len(found) > 0 {
		broken = found[0].Text
	} else if len(p.Steps) == 0 || p.Repetitions < 1 || p.RestSeconds < 0 || p.StartLoad.Units() < 0 || negativeStep(p.Steps) {
		broken = "a protocol has loads and steps of more than nothing, repetitions and no negative rest"
	}
	if broken != "" {
		j.say(Stop, GuardProtocol, "", "", "The protocol cannot be followed: "+broken+".")
		return false
	}
	return true
}

func negativeStep(steps []record.LoadStep) bool {
	for i := range steps {
		if steps[i].Increment.Units() < 0 {
			return true
		}
	}
	return false
}

// session judges what holds for the whole series: whom the protocol is for, where it is used, what was recorded and seen.
func (j *judge) session() {
	p, s := &j.in.Protocol, &j.in.Series
	if !covered(p.Zones, s.Zone) {
		j.say(Stop, GuardProtocol, string(s.Zone), "", "The protocol is not for this zone.")
	}
	if s.Pace != "" && s.Pace != p.Pace {
		j.say(Stop, GuardProtocol, string(s.Pace), string(p.Pace), "The protocol is for another pace.")
	}
	switch sex := j.in.Person.Sex; {
	case p.AppliesToSex == "" || sex == p.AppliesToSex:
	case sex == "":
		j.missing("sex", "The protocol's loads are meant for one sex; the person's is not given.")
	default:
		j.say(Stop, GuardAppliesTo, string(sex), string(p.AppliesToSex), "The protocol's loads are meant for the other sex.")
	}
	if len(j.in.Symptoms) > 0 {
		j.say(Stop, record.GuardSymptom, guard.SymptomText(j.in.Symptoms), "none", "A symptom ends the session. Follow the clinic's emergency plan.")
	}
	switch s.Stop {
	case "":
	case record.StopSymptom:
		j.say(Stop, record.GuardSymptom, "recorded", "none", "A symptom was recorded as the end of the series; it ends the session.")
	default:
		j.say(Stop, GuardRecordedStop, string(s.Stop), "", "The evaluator has ended the series.")
	}
	if j.in.Screening.RateLimitingDrug {
		j.say(Note, record.GuardRateLimitingDrug, "", "", "A drug limits the heart rate: a heart rate within its limit proves little. Lean on the effort rating, signs and symptoms.")
	}
}

func covered(zones []record.Zone, z record.Zone) bool {
	for _, have := range zones {
		if have == z {
			return true
		}
	}
	return false
}

// screening holds red flags and the resting values against the protocol's limits. With a red flag or above a limit the session is refused unless a
// licensed clinician let it go on, with a reason; a value that was not measured is not overridden, it is measured.
func (j *judge) screening() {
	f := screen.Of(j.in.Screening, []*record.Protocol{&j.in.Protocol})
	for i := range f.Guards {
		hit := &f.Guards[i]
		if f.Status == record.ScreeningOverridden {
			j.say(Note, hit.Guard, hit.Measured, hit.Limit, "The screening was not passed; a licensed clinician has overridden it, with a reason on record.")
			continue
		}
		j.say(Stop, hit.Guard, hit.Measured, hit.Limit,
			"The screening was not passed. The test is not begun unless a licensed clinician overrides this with a recorded reason.")
	}
	for _, name := range f.Missing {
		j.missing(name, "The screening lacks the "+name+".")
	}
}
