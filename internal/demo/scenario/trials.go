package scenario

import (
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// person is the model of an invented client.
type person struct {
	sex     ponderalv1.Sex
	born    time.Time
	age     int
	resting int
	// gain is by how many beats the heart rate rises up to the limit of a zone.
	gain     float64
	strength float64
	drug     bool
	blind    bool
}

func (m *maker) person(l loads, drug, blind bool) person {
	p := person{drug: drug, blind: blind, sex: ponderalv1.Sex(1 + m.rng.IntN(2))}
	p.age = 24 + m.rng.IntN(36)
	// A birthday in the year that has passed already, so that the age holds on the day.
	p.born = m.date.AddDate(-p.age, 0, -1-m.rng.IntN(360))
	p.resting = 58 + m.rng.IntN(20)
	p.gain = 30 + 14*m.rng.Float64()
	p.strength = 0.55 + 1.05*m.rng.Float64()
	return p
}

// typical loads, in pounds, that a middling person of the model stops at; invented.
var typical = map[ponderalv1.Zone]float64{
	ponderalv1.Zone_ZONE_FLOOR_WAIST:       56,
	ponderalv1.Zone_ZONE_WAIST_SHOULDER:    44,
	ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD: 32,
	ponderalv1.Zone_ZONE_FLOOR_SHOULDER:    42,
	ponderalv1.Zone_ZONE_CARRY:             58,
	ponderalv1.Zone_ZONE_PUSH:              62,
	ponderalv1.Zone_ZONE_PULL:              58,
}

// limitOf draws the load at which the person will want no more.
func (m *maker) limitOf(p person, l loads, t test) float64 {
	pounds := typical[t.zone] * p.strength * (0.92 + 0.16*m.rng.Float64())
	if t.pace == ponderalv1.Pace_PACE_FREQUENT {
		pounds *= 0.6
	}
	limit := pounds * l.perPound
	if t.end == ponderalv1.EndReason_END_REASON_CEILING {
		return float64(l.ceiling) * 1.12
	}
	return min(max(limit, 2.8*float64(l.start)), 0.97*float64(l.ceiling))
}

// series simulates one progressive test and gives the time at which it was over.
func (m *maker) series(p person, l loads, k *ponderalv1.Kit, t test, at time.Time) (*ponderalv1.Series, time.Time) {
	s := &ponderalv1.Series{Zone: t.zone, Pace: t.pace}
	if t.protocol == overheadName || t.protocol == frequentName {
		l = l.light()
	}
	lifted := t.zone != ponderalv1.Zone_ZONE_PUSH && t.zone != ponderalv1.Zone_ZONE_PULL
	if lifted {
		s.KitId = k.Id
	}
	limit := m.limitOf(p, l, t)
	current, effort := l.start, 0.0
	for n := 1; ; n++ {
		ratio := float64(current) / limit
		effort = m.effort(effort, ratio)
		trial := m.trial(p, l, t, current, ratio, effort)
		trial.Number, trial.At = uint32(n), timestamppb.New(at)
		trial.Blinded = (p.blind || t.blinded) && lifted
		if lifted {
			trial.InsertCodes = m.recipe(k, l, current)
		}
		s.Trials = append(s.Trials, trial)
		at = at.Add(time.Duration(restSeconds+35+m.rng.IntN(25)) * time.Second)
		next := current + l.step(effort)
		if isLast(t, l, n, float64(next)/limit, next) {
			m.finish(p, s, trial, t)
			return s, at
		}
		current = next
	}
}

// step is the increment that the protocols give after an effort rating.
func (l loads) step(effort float64) load {
	switch {
	case effort < coarseUntil:
		return l.coarse
	case effort < middleUntil:
		return l.middle
	}
	return l.fine
}

// isLast reports whether the n-th trial is where the series ends: the next load would pass the limit, the ceiling or the time that there was.
func isLast(t test, l loads, n int, nextRatio float64, next load) bool {
	switch t.end {
	case ponderalv1.EndReason_END_REASON_CEILING:
		return next > l.ceiling
	case ponderalv1.EndReason_END_REASON_ADMINISTRATIVE:
		return n == 3
	}
	return nextRatio > 1.02
}

// effort is the rating at a part of the limit: about 1 with little load, about 6.5 at the limit, in halves, seldom below the one before.
func (m *maker) effort(before, ratio float64) float64 {
	e := 0.6 + 5.9*math.Pow(ratio, 1.15) + 0.7*(m.rng.Float64()-0.5)
	e = math.Round(e*2) / 2
	return min(max(e, before-0.5, 0.5), 7)
}

// heart is the heart rate at a part of the limit, kept below the protocols' limit.
func (m *maker) heart(p person, ratio float64) int {
	noise := m.rng.IntN(5) - 2
	if p.drug {
		return p.resting + 9 + noise
	}
	return min(p.resting+14+int(p.gain*ratio)+noise, heartLimit(p.age)-3)
}

func (m *maker) trial(p person, l loads, t test, current load, ratio, effort float64) *ponderalv1.Trial {
	heart, yes, more := uint32(m.heart(p, ratio)), true, true
	trial := &ponderalv1.Trial{Load: l.mass(current), Repetitions: repetitions(t), HeartRateBpm: &heart, EffortRating: &effort,
		Sustainable: &yes, MorePossible: &more}
	if t.pace == ponderalv1.Pace_PACE_FREQUENT {
		trial.SteadyHeartRateBpm = &heart
	}
	if ratio > 0.75 && m.rng.IntN(2) == 0 {
		trial.Signs = []*ponderalv1.MechanicsSign{{Sign: ponderalv1.Sign(1 + m.rng.IntN(9)), Grade: 1}}
	}
	return trial
}

func repetitions(t test) uint32 {
	switch t.protocol {
	case liftName, overheadName:
		return 4
	case carryName:
		return 2
	case pushPullName:
		return 3
	}
	return 12
}

// finish makes the last trial show why the series ended.
func (m *maker) finish(p person, s *ponderalv1.Series, last *ponderalv1.Trial, t test) {
	no := false
	switch t.end {
	case ponderalv1.EndReason_END_REASON_VOLITIONAL:
		last.MorePossible, s.Stop = &no, ponderalv1.Stop_STOP_VOLITIONAL
		if m.rng.IntN(3) == 0 && len(s.Trials) > 3 {
			last.Sustainable = &no
		}
	case ponderalv1.EndReason_END_REASON_EFFORT:
		rating := float64(effortStop)
		last.EffortRating, last.MorePossible = &rating, &no
	case ponderalv1.EndReason_END_REASON_HEART_RATE:
		heart := uint32(heartLimit(p.age) + 4)
		last.HeartRateBpm = &heart
	case ponderalv1.EndReason_END_REASON_MECHANICS:
		last.Signs = []*ponderalv1.MechanicsSign{{Sign: ponderalv1.Sign_SIGN_TRUNK_LEAN, Grade: 3}, {Sign: ponderalv1.Sign_SIGN_HEEL_RISE, Grade: 2}}
	case ponderalv1.EndReason_END_REASON_SYMPTOM:
		last.Symptoms = []ponderalv1.Symptom{ponderalv1.Symptom_SYMPTOM_DIZZINESS}
		last.Sustainable, last.MorePossible = &no, &no
		s.Stop, s.StopNote = ponderalv1.Stop_STOP_SYMPTOM, "dizzy on rising; rested, physician told"
	case ponderalv1.EndReason_END_REASON_CEILING:
		s.Stop = ponderalv1.Stop_STOP_CEILING
	case ponderalv1.EndReason_END_REASON_ADMINISTRATIVE:
		s.Stop, s.StopNote = ponderalv1.Stop_STOP_ADMINISTRATIVE, "the building was cleared for a fire drill"
	case ponderalv1.EndReason_END_REASON_INCOMPLETE:
		last.EffortRating = nil
	}
}
