package library

import "ponderal.example/internal/record"

// houseSource stands in every house protocol. The screening limits are those of the NHANES cardiovascular fitness procedures manual; 85 % of
// the age-predicted maximum is the usual submaximal end point; the rest has no published source.
const houseSource = "common practice, no source; a starting point for the responsible clinician. Screening limits: NHANES cardiovascular fitness procedures manual."

// The defaults that every house protocol shares; common practice, no source, unless said otherwise.
const (
	houseEffortStop  = 16 // 8 of 10
	houseRepetitions = 4
	houseRest        = 60 // seconds
	houseWork        = 85 // percent of the age-predicted maximum
	houseStart       = 70 // percent of the age-predicted maximum
	houseTrials      = 15
	houseCalibration = 365 // days
)

// House returns a protocol for each zone at the pace occasional: ten-pound steps from ten pounds that taper to five from the rating 6 and to
// 2.5 from the rating 7, one step of five pounds back after a failed trial, and a ceiling by zone. Loads of push and pull are read from a
// force gauge marked in pounds or kilograms.
func House() []record.Protocol {
	ceilings := []struct {
		zone   record.Zone
		name   string
		pounds int64
	}{
		{record.FloorWaist, "House: lift, floor to waist, occasional", 100},
		{record.WaistShoulder, "House: lift, waist to shoulder, occasional", 75},
		{record.ShoulderOverhead, "House: lift, shoulder to overhead, occasional", 50},
		{record.FloorShoulder, "House: lift, floor to shoulder, occasional", 75},
		{record.Carry, "House: carry, occasional", 100},
		{record.Push, "House: push, occasional", 100},
		{record.Pull, "House: pull, occasional", 100},
	}
	all := make([]record.Protocol, 0, len(ceilings))
	for _, c := range ceilings {
		all = append(all, house(c.name, c.zone, c.pounds))
	}
	return all
}

func house(name string, zone record.Zone, ceiling int64) record.Protocol {
	highest, back := pounds(ceiling), pounds(5)
	p := record.Protocol{
		Name: name, Zones: []record.Zone{zone}, Pace: record.Occasional, StartLoad: pounds(10),
		Steps: []record.LoadStep{
			{FromEffort: 0, Increment: pounds(10)},
			{FromEffort: 12, Increment: pounds(5)},
			{FromEffort: 14, Increment: halfPounds(5)},
		},
		Repetitions: houseRepetitions, RestSeconds: houseRest, EffortStop: houseEffortStop, LoadCeiling: &highest,
		HeartRateLimit:      &record.HeartRateLimit{PercentOfPredicted: houseWork, Formula: record.Tanaka2001},
		HeartRateStartLimit: &record.HeartRateLimit{PercentOfPredicted: houseStart, Formula: record.Tanaka2001},
		RequiresHeartRate:   true, RequiresEffortRating: true, RequiresMorePossible: true, Source: houseSource,
		RepetitionIs: record.RepetitionCycle, BackOff: &back, MaxTrials: houseTrials,
		ScreeningLimits: &record.ScreeningLimits{RestingHeartRate: 100, Systolic: 180, Diastolic: 100},
	}
	if zone == record.Push || zone == record.Pull {
		p.RepetitionIs = record.RepetitionMovement
		return p
	}
	p.Calibration = &record.CalibrationLimit{Days: houseCalibration, Block: true}
	return p
}
