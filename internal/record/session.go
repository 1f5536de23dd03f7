package record

import "ponderal.example/internal/mass"

// Session is one visit's tests. Times are RFC 3339 in UTC.
type Session struct {
	ID          string    `json:"id"`
	ClinicID    string    `json:"clinic_id"`
	ReferralID  string    `json:"referral_id"`
	EvaluatorID string    `json:"evaluator_id"`
	StartedAt   Time      `json:"started_at"`
	EndedAt     Time      `json:"ended_at"`
	Screening   Screening `json:"screening"`
	Series      []Series  `json:"series"`

	// What follows came later. Each is left out of the canonical form where it is not set, so that a session without it has the bytes that it
	// always had.

	Body           *BodyMeasures    `json:"body,omitempty"`
	HandSeries     []HandSeries     `json:"hand_series,omitempty"`
	PositionSeries []PositionSeries `json:"position_series,omitempty"`
}

// Screening before the session; nil where not measured. Heart rate in beats per minute, pressures in mmHg.
type Screening struct {
	RestingHeartRate *int   `json:"resting_heart_rate,omitempty"`
	Systolic         *int   `json:"systolic,omitempty"`
	Diastolic        *int   `json:"diastolic,omitempty"`
	RateLimitingDrug bool   `json:"rate_limiting_drug,omitempty"`
	OverrideReason   string `json:"override_reason,omitempty"`
	// Symptoms are the red flags reported or seen before the session; OverrideBy is the member who answers for an override.
	Symptoms   []Symptom `json:"symptoms,omitempty"`
	OverrideBy string    `json:"override_by,omitempty"`
}

// BodyMeasures are taken at the visit. StatureMM is in millimetres, 0 where not measured.
type BodyMeasures struct {
	StatureMM int        `json:"stature_mm,omitempty"`
	Mass      *mass.Mass `json:"body_mass,omitempty"`
}

// Series is one progressive test.
type Series struct {
	Number         int     `json:"number"`
	Zone           Zone    `json:"zone"`
	Pace           Pace    `json:"pace"`
	ProtocolDigest string  `json:"protocol_digest"`
	KitID          string  `json:"kit_id,omitempty"`
	Stop           Stop    `json:"stop,omitempty"`
	StopNote       string  `json:"stop_note,omitempty"`
	Trials         []Trial `json:"trials,omitempty"`
}

// Trial is one load handled once. Pointers are nil where nothing was recorded.
type Trial struct {
	Number       int             `json:"number"`
	At           Time            `json:"at"`
	Load         mass.Mass       `json:"load"`
	InsertCodes  []string        `json:"insert_codes,omitempty"`
	Repetitions  int             `json:"repetitions"`
	HeartRate    *int            `json:"heart_rate,omitempty"`
	Effort       *Effort         `json:"effort_rating,omitempty"`
	Sustainable  *bool           `json:"sustainable,omitempty"`
	MorePossible *bool           `json:"more_possible,omitempty"`
	Signs        []MechanicsSign `json:"signs,omitempty"`
	Symptoms     []Symptom       `json:"symptoms,omitempty"`
	Blinded      bool            `json:"blinded,omitempty"`
	ClosedReason string          `json:"closed_reason,omitempty"`
	// StartHeartRate is just before the trial, SteadyHeartRate once it no longer rose in a trial of minutes; beats per minute.
	StartHeartRate  *int `json:"start_heart_rate,omitempty"`
	SteadyHeartRate *int `json:"steady_heart_rate,omitempty"`
	// Trace is what the monitor showed; no score is worked out from it.
	Trace *HeartRateTrace `json:"heart_rate_trace,omitempty"`
}

// MechanicsSign is a sign with its grade: 0 steady, 1 shift, 2 marked, 3 unsafe.
type MechanicsSign struct {
	Sign  SignKind `json:"sign"`
	Grade int      `json:"grade"`
}
