package record

// ResultFormat2 names the payload that holds no single reading: those are enclosed beside it, and the payload holds their digest.
const ResultFormat2 = "ponderal-result-2"

// Enclosed is what a result of format 2 keeps out of its signed payload: the raw trials, what the finding repeats of single ones, and what people
// wrote beside them. The payload's enclosed_digest is the SHA-256 of a 32-byte salt and the canonical JSON of this, base64url without padding.
// Every list has one item for each of the payload's, in the same order and named by number, also where it holds nothing, so that what is joined is
// exactly what was taken apart.
type Enclosed struct {
	Series         []EnclosedSeries         `json:"series"`
	HandSeries     []EnclosedHandSeries     `json:"hand_series,omitempty"`
	PositionSeries []EnclosedPositionSeries `json:"position_series,omitempty"`
	Capacities     []EnclosedCapacity       `json:"capacities"`
	Positions      []EnclosedPosition       `json:"positions,omitempty"`
	Corrections    []EnclosedCorrection     `json:"corrections,omitempty"`
}

// EnclosedSeries belongs to session.series: its trials, and the evaluator's note on its end.
type EnclosedSeries struct {
	Number   int     `json:"number"`
	StopNote string  `json:"stop_note,omitempty"`
	Trials   []Trial `json:"trials,omitempty"`
}

// EnclosedHandSeries belongs to session.hand_series: its readings, and the evaluator's note.
type EnclosedHandSeries struct {
	Number int         `json:"number"`
	Note   string      `json:"note,omitempty"`
	Trials []HandTrial `json:"trials"`
}

// EnclosedPositionSeries belongs to session.position_series: its bouts, and the evaluator's note.
type EnclosedPositionSeries struct {
	Number int    `json:"number"`
	Note   string `json:"note,omitempty"`
	Bouts  []Bout `json:"bouts,omitempty"`
}

// EnclosedCapacity belongs to finding.capacities: the verdict on each trial with what was measured, and what is told of single trials'
// mechanics and heart rate.
type EnclosedCapacity struct {
	SeriesNumber int              `json:"series_number"`
	Trials       []TrialVerdict   `json:"trials"`
	Mechanics    *MechanicsChange `json:"mechanics,omitempty"`
	Aerobic      *AerobicDemand   `json:"aerobic,omitempty"`
}

// EnclosedPosition belongs to finding.positions: how long bouts were asked for and kept up, in seconds.
type EnclosedPosition struct {
	SeriesNumber   int `json:"series_number"`
	AskedSeconds   int `json:"asked_seconds,omitempty"`
	KeptSeconds    int `json:"kept_seconds,omitempty"`
	LongestSeconds int `json:"longest_seconds,omitempty"`
}

// EnclosedCorrection belongs to corrections, by revision: why it was made, which people tell with the readings before and after.
type EnclosedCorrection struct {
	Revision int    `json:"revision"`
	Reason   string `json:"reason"`
}
