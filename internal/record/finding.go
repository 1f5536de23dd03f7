package record

import "ponderal.example/internal/mass"

// Finding is all that the engine computed for a session. It depends on nothing but the engine's input.
type Finding struct {
	SessionID       string         `json:"session_id"`
	SessionRevision int            `json:"session_revision"`
	Engine          string         `json:"engine"`
	Capacities      []Capacity     `json:"capacities"`
	Zones           []ZoneStrength `json:"zones"`
	Overall         *ZoneStrength  `json:"overall,omitempty"`
	Job             *JobMatch      `json:"job,omitempty"`
	Remarks         []Remark       `json:"remarks,omitempty"`
	Complete        bool           `json:"complete"`

	// What follows came with the engine's rules 2 and is left out by rules 1.

	Screening   *ScreeningFinding   `json:"screening,omitempty"`
	Projected   []ProjectedCapacity `json:"projected,omitempty"`
	Hands       []HandStrength      `json:"hands,omitempty"`
	Positions   []PositionTolerance `json:"positions,omitempty"`
	Consistency *Consistency        `json:"consistency,omitempty"`
	Limits      []WorkLimit         `json:"limits,omitempty"`
}

// Capacity of one series. Load is nil when no trial was accepted; BracketTo is nil when no heavier trial ended the series.
type Capacity struct {
	SeriesNumber   int            `json:"series_number"`
	Zone           Zone           `json:"zone"`
	Pace           Pace           `json:"pace"`
	Load           *mass.Mass     `json:"load,omitempty"`
	BracketTo      *mass.Mass     `json:"bracket_to,omitempty"`
	EndReason      EndReason      `json:"end_reason"`
	AcceptedTrials int            `json:"accepted_trials"`
	TotalTrials    int            `json:"total_trials"`
	Trials         []TrialVerdict `json:"trials"`

	Mechanics *MechanicsChange `json:"mechanics,omitempty"`
	Ceilings  []LoadCeiling    `json:"ceilings,omitempty"`
	Aerobic   *AerobicDemand   `json:"aerobic,omitempty"`
}

// TrialVerdict is one trial as the engine sees it.
type TrialVerdict struct {
	Number int         `json:"number"`
	Status TrialStatus `json:"status"`
	Guards []GuardHit  `json:"guards,omitempty"`
}

// GuardHit is one limit that a trial did not respect; Measured and Limit are texts with units.
type GuardHit struct {
	Guard    string `json:"guard"`
	Measured string `json:"measured,omitempty"`
	Limit    string `json:"limit,omitempty"`
	Voids    bool   `json:"voids,omitempty"`
	Ends     bool   `json:"ends,omitempty"`
}

// The names of guards.
const (
	GuardHeartRateWork      = "heart_rate_work"
	GuardEffortStop         = "effort_stop"
	GuardMechanics          = "mechanics"
	GuardSymptom            = "symptom"
	GuardAcceptability      = "acceptability"
	GuardRepetitions        = "repetitions"
	GuardLoadCeiling        = "load_ceiling"
	GuardMissingMeasurement = "missing_measurement"
	GuardRateLimitingDrug   = "rate_limiting_drug"
	GuardScreening          = "screening"
	GuardHeartRateStart     = "heart_rate_start"
	GuardCalibration        = "calibration"
)

// ZoneStrength is the strength level reached in one zone. Within is the level in which the person works up to WithinUpTo, when that is
// above Level. LimitingSeries is the number of the series that keeps the person from the next level; 0 when nothing does.
type ZoneStrength struct {
	Zone           Zone       `json:"zone"`
	Level          Level      `json:"level"`
	Within         Level      `json:"within,omitempty"`
	WithinUpTo     *mass.Mass `json:"within_up_to,omitempty"`
	LimitingSeries int        `json:"limiting_series,omitempty"`
	LimitingPace   Pace       `json:"limiting_pace,omitempty"`
	Basis          Basis      `json:"basis"`
}

// JobMatch compares the person with the job.
type JobMatch struct {
	JobProfileID       string      `json:"job_profile_id"`
	JobProfileRevision int         `json:"job_profile_revision"`
	Title              string      `json:"title"`
	Demand             Level       `json:"demand"`
	Tasks              []TaskMatch `json:"tasks"`
	Outcome            Outcome     `json:"outcome"`
	Missing            []string    `json:"missing,omitempty"`

	Positions []PositionMatch `json:"positions,omitempty"`
	Hands     []HandMatch     `json:"hands,omitempty"`
	RestsOn   []string        `json:"rests_on,omitempty"`
}

// TaskMatch is the verdict on one task.
type TaskMatch struct {
	Task     string     `json:"task"`
	Zone     Zone       `json:"zone"`
	Pace     Pace       `json:"pace"`
	Demand   mass.Mass  `json:"demand"`
	Capacity *mass.Mass `json:"capacity,omitempty"`
	Verdict  Verdict    `json:"verdict"`
	ShortBy  *mass.Mass `json:"short_by,omitempty"`

	Basis            Basis      `json:"basis,omitempty"`
	SeriesNumber     int        `json:"series_number,omitempty"`
	MeasurementError *mass.Mass `json:"measurement_error,omitempty"`
}

// Remark is a machine-readable note with its plain text.
type Remark struct {
	Code string `json:"code"`
	Text string `json:"text"`
}
