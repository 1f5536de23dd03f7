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
