package record

import "ponderal.example/internal/mass"

// Protocol is how one kind of series is run. It is named by the SHA-256 of its canonical JSON.
type Protocol struct {
	Name                 string          `json:"name"`
	Zones                []Zone          `json:"zones"`
	Pace                 Pace            `json:"pace"`
	StartLoad            mass.Mass       `json:"start_load"`
	Steps                []LoadStep      `json:"steps"`
	Repetitions          int             `json:"repetitions"`
	RestSeconds          int             `json:"rest_seconds"`
	HeartRateLimit       *HeartRateLimit `json:"heart_rate_limit,omitempty"`
	EffortStop           Effort          `json:"effort_stop"`
	LoadCeiling          *mass.Mass      `json:"load_ceiling,omitempty"`
	RequiresHeartRate    bool            `json:"requires_heart_rate"`
	RequiresEffortRating bool            `json:"requires_effort_rating"`
	Source               string          `json:"source"`

	// What follows came later. Each is left out of the canonical form where it is not set, so that the digest of a protocol without it
	// is what it always was.

	// RepetitionIs says what one repetition is; empty where the protocol leaves it open.
	RepetitionIs RepetitionKind `json:"repetition_is,omitempty"`
	// LiftsPerMinute is the pace within a trial, 0 where the person chooses; Minutes is how long a trial at that pace lasts.
	LiftsPerMinute int `json:"lifts_per_minute,omitempty"`
	Minutes        int `json:"minutes,omitempty"`
	// HeartRateStartLimit holds before the next trial.
	HeartRateStartLimit *HeartRateLimit `json:"heart_rate_start_limit,omitempty"`
	// BackOff is what is taken off after a failed trial; nil where a failed trial ends the series.
	BackOff *mass.Mass `json:"back_off,omitempty"`
	// StopMechanicsGrade is the grade of a sign that voids the trial and ends the series, 2 or 3; 0 stands for 3.
	StopMechanicsGrade int `json:"stop_mechanics_grade,omitempty"`
	// PercentOfBodyMass is a load ceiling in percent of the person's body mass; 0 for none.
	PercentOfBodyMass int               `json:"percent_of_body_mass,omitempty"`
	ScreeningLimits   *ScreeningLimits  `json:"screening_limits,omitempty"`
	Calibration       *CalibrationLimit `json:"calibration,omitempty"`
	// AppliesToSex is the sex that the protocol's loads are meant for; empty for both.
	AppliesToSex Sex `json:"applies_to_sex,omitempty"`
	// MaxTrials is the most trials of a series; 0 for no such limit.
	MaxTrials int `json:"max_trials,omitempty"`
	// RequiresMorePossible: a trial without the client's answer whether more is possible is incomplete. Whether the load could be
	// sustained is required by every protocol.
	RequiresMorePossible bool `json:"requires_more_possible,omitempty"`
	// Compression is a load ceiling by the estimated compression of the spine; nil for none.
	Compression *CompressionLimit `json:"compression,omitempty"`
	// CapacityError is the error of the capacity that is measured; nil where nobody knows it.
	CapacityError *CapacityError `json:"capacity_error,omitempty"`
}

// ScreeningLimits are the highest values with which a session may begin: beats per minute and mmHg; 0 for no limit.
type ScreeningLimits struct {
	RestingHeartRate int `json:"resting_heart_rate,omitempty"`
	Systolic         int `json:"systolic,omitempty"`
	Diastolic        int `json:"diastolic,omitempty"`
}

// CalibrationLimit is for how many days after its weighing a piece of a kit may be used. Block says that an older one keeps the next
// trial from being done; otherwise it is only said.
type CalibrationLimit struct {
	Days  int  `json:"days"`
	Block bool `json:"block,omitempty"`
}

// LoadStep is an increment that applies from an effort rating on.
type LoadStep struct {
	FromEffort Effort    `json:"from_effort_rating"`
	Increment  mass.Mass `json:"increment"`
}

// HeartRateLimit has exactly one of its three forms; the percent forms name a formula.
type HeartRateLimit struct {
	BPM                int              `json:"bpm,omitempty"`
	PercentOfPredicted int              `json:"percent_of_predicted_maximum,omitempty"`
	PercentOfReserve   int              `json:"percent_of_reserve,omitempty"`
	Formula            HeartRateFormula `json:"formula,omitempty"`
}

// Kit is a tote with its inserts.
type Kit struct {
	ID       string  `json:"id"`
	ClinicID string  `json:"clinic_id"`
	Name     string  `json:"name"`
	Tote     Piece   `json:"tote"`
	Inserts  []Piece `json:"inserts"`
}

// Piece is a tote or an insert; VerifiedOn is a calendar date YYYY-MM-DD.
type Piece struct {
	Code       string    `json:"code"`
	Mass       mass.Mass `json:"mass"`
	VerifiedOn string    `json:"verified_on"`
}
