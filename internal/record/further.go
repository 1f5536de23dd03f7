package record

import "ponderal.example/internal/mass"

// HandSeries is a test of grip or pinch strength of one hand. InstrumentVerifiedOn is a calendar date YYYY-MM-DD.
type HandSeries struct {
	Number               int           `json:"number"`
	Measure              HandMeasure   `json:"measure"`
	Hand                 Hand          `json:"hand"`
	Procedure            HandProcedure `json:"procedure"`
	Dominant             *bool         `json:"dominant,omitempty"`
	Instrument           string        `json:"instrument,omitempty"`
	InstrumentVerifiedOn string        `json:"instrument_verified_on,omitempty"`
	Note                 string        `json:"note,omitempty"`
	Trials               []HandTrial   `json:"trials"`
}

// HandTrial is one reading: the force as the mass that weighs as much. Position is the handle's, 1 the narrowest to 5, 0 where it has none.
type HandTrial struct {
	Number   int       `json:"number"`
	At       Time      `json:"at"`
	Position int       `json:"handle_position,omitempty"`
	Reading  mass.Mass `json:"reading"`
	Effort   *Effort   `json:"effort_rating,omitempty"`
	Symptoms []Symptom `json:"symptoms,omitempty"`
}

// PositionSeries is a test of how much of a working day a position or movement is tolerated. Rating is the evaluator's judgement.
type PositionSeries struct {
	Number   int       `json:"number"`
	Position Position  `json:"position"`
	Rating   Tolerance `json:"rating"`
	Note     string    `json:"note,omitempty"`
	Bouts    []Bout    `json:"bouts,omitempty"`
}

// Bout is one stretch of time in a position: how long it was asked for and how long it was kept up, in seconds.
type Bout struct {
	Number       int       `json:"number"`
	At           Time      `json:"at"`
	AskedSeconds int       `json:"asked_seconds"`
	KeptSeconds  int       `json:"kept_seconds"`
	EndedBy      BoutEnd   `json:"ended_by"`
	Effort       *Effort   `json:"effort_rating,omitempty"`
	HeartRate    *int      `json:"heart_rate,omitempty"`
	Symptoms     []Symptom `json:"symptoms,omitempty"`
}

// PositionDemand is how much of the working day a job asks for a position or movement.
type PositionDemand struct {
	Position Position  `json:"position"`
	Demand   Tolerance `json:"demand"`
}

// HandDemand is a grip or pinch that a job asks for; Hand is empty where each of the two must have it.
type HandDemand struct {
	Name    string      `json:"name"`
	Measure HandMeasure `json:"measure"`
	Hand    Hand        `json:"hand,omitempty"`
	Force   mass.Mass   `json:"force"`
}

// CompressionLimit is a load ceiling by the estimated compression at L5/S1, see engine/body. MuscleArmMM 0 stands for 50, ForwardMM 0 for 250.
type CompressionLimit struct {
	CriterionNewtons int `json:"criterion_newtons"`
	MuscleArmMM      int `json:"muscle_arm_mm,omitempty"`
	ForwardMM        int `json:"forward_mm,omitempty"`
}

// CapacityError is the standard error of measurement of the capacity that a protocol measures, with its source.
type CapacityError struct {
	StandardError mass.Mass `json:"standard_error"`
	Source        string    `json:"source"`
}
