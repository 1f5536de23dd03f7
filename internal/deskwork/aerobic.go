package deskwork

import (
	"ponderal.example/internal/engine/aerobic"
	"ponderal.example/internal/engine/heartrate"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// AerobicQuestion is a heart rate that no longer rose in work of minutes, of a person at that resting heart rate; beats per minute.
type AerobicQuestion struct {
	Person          record.Person
	Steady, Resting int
	Formula         record.HeartRateFormula
}

// AerobicEstimate is the answer.
type AerobicEstimate struct {
	Demand   record.AerobicDemand
	Maximum  HeartRate
	Cautions []record.Remark
}

// EstimateAerobicDemand is the share of the heart-rate reserve that the work takes.
func EstimateAerobicDemand(q AerobicQuestion) (AerobicEstimate, error) {
	highest, missing := heartrate.Predicted(q.Formula, q.Person)
	switch {
	case missing != "":
		return AerobicEstimate{}, lacking(missing, "formula")
	case heartrate.BPM(q.Resting) >= highest:
		return AerobicEstimate{}, refuse("resting_heart_rate_bpm", "heart_rate.reserve", "the resting heart rate is below the predicted maximum")
	case q.Steady < q.Resting:
		return AerobicEstimate{}, refuse("steady_heart_rate_bpm", "aerobic.steady", "the steady heart rate is not below the resting heart rate")
	}
	// The work stands as a series of one trial that was accepted; its load plays no part.
	load := mass.FromUnits(1)
	demand := aerobic.Of(
		[]record.Trial{{Number: 1, Load: load, SteadyHeartRate: &q.Steady}},
		&record.Capacity{Load: &load, Trials: []record.TrialVerdict{{Number: 1, Status: record.TrialAccepted}}},
		q.Formula, q.Person, record.Screening{RestingHeartRate: &q.Resting})
	if demand == nil {
		return AerobicEstimate{}, fault.New(fault.Internal, "AEROBIC", "the demand cannot be estimated")
	}
	out := AerobicEstimate{Demand: *demand, Maximum: highest, Cautions: append(heartRateCautions(), record.Remark{Code: "estimate",
		Text: "The share of the reserve stands for a share of the highest oxygen uptake and may be off by a tenth and more. Heat, fear, drugs and work of the arms " +
			"alone shift it. It is no test of fitness and no safe limit for a person."})}
	if heartrate.BPM(q.Steady) > highest {
		out.Cautions = append(out.Cautions, record.Remark{Code: "above_predicted_maximum",
			Text: "The steady heart rate is above the predicted maximum: the prediction does not fit this person, or the measurement is wrong."})
	}
	return out, nil
}
