// Package screen holds the screening before a session against the protocols that the session used: whether the session should have begun.
//
// A screening that was passed clears nobody: it is a rule of the protocols, and the licensed clinician decides. Limits differ between
// published bodies; a clinic sets its own within local codes.
package screen

import (
	"strconv"

	"ponderal.example/internal/engine/guard"
	"ponderal.example/internal/record"
)

// Of holds a screening against the strictest limit that any of the protocols sets for each value. A value above its limit fails, one exactly at
// it does not; any red-flag symptom fails, whatever the protocols limit. The order of protocols and of symptoms does not matter; a nil protocol
// limits nothing. The status:
//
//   - failed and no reason for an override recorded: not passed; with one: overridden, whoever recorded it;
//   - otherwise, a limited value that was not measured: incomplete, whatever reason is recorded, since nobody overrides what nobody knows;
//   - otherwise passed, where anything is limited, or not limited.
//
// Guards list what failed: symptoms, resting heart rate, systolic, diastolic. Missing lists what is limited and was not measured, also where
// something failed.
func Of(s record.Screening, protocols []*record.Protocol) record.ScreeningFinding {
	var f record.ScreeningFinding
	if len(s.Symptoms) > 0 {
		f.Guards = append(f.Guards, record.GuardHit{Guard: record.GuardScreening, Measured: guard.SymptomText(s.Symptoms), Limit: "none"})
	}
	limits := strictest(protocols)
	limited := false
	for _, v := range [...]struct {
		name, unit string
		measured   *int
		limit      int
	}{
		{"resting heart rate", " bpm", s.RestingHeartRate, limits.RestingHeartRate},
		{"systolic pressure", " mmHg", s.Systolic, limits.Systolic},
		{"diastolic pressure", " mmHg", s.Diastolic, limits.Diastolic},
	} {
		if v.limit <= 0 {
			continue
		}
		limited = true
		switch {
		case v.measured == nil:
			f.Missing = append(f.Missing, v.name)
		case *v.measured > v.limit:
			f.Guards = append(f.Guards, record.GuardHit{
				Guard: record.GuardScreening, Measured: v.name + " " + strconv.Itoa(*v.measured) + v.unit, Limit: strconv.Itoa(v.limit) + v.unit,
			})
		}
	}
	f.Status = status(&f, s.OverrideReason != "", limited)
	return f
}

func status(f *record.ScreeningFinding, overridden, limited bool) record.ScreeningStatus {
	switch {
	case len(f.Guards) > 0 && overridden:
		return record.ScreeningOverridden
	case len(f.Guards) > 0:
		return record.ScreeningNotPassed
	case len(f.Missing) > 0:
		return record.ScreeningIncomplete
	case limited:
		return record.ScreeningPassed
	}
	return record.ScreeningNotLimited
}

// strictest is the lowest limit of each value; 0 where no protocol limits it.
func strictest(protocols []*record.Protocol) record.ScreeningLimits {
	var low record.ScreeningLimits
	lower := func(at *int, limit int) {
		if limit > 0 && (*at == 0 || limit < *at) {
			*at = limit
		}
	}
	for _, p := range protocols {
		if p == nil || p.ScreeningLimits == nil {
			continue
		}
		lower(&low.RestingHeartRate, p.ScreeningLimits.RestingHeartRate)
		lower(&low.Systolic, p.ScreeningLimits.Systolic)
		lower(&low.Diastolic, p.ScreeningLimits.Diastolic)
	}
	return low
}
