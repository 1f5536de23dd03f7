package record

import "ponderal.example/internal/mass"

// ScreeningFinding is the screening held against the strictest limits of the session's protocols.
type ScreeningFinding struct {
	Status  ScreeningStatus `json:"status"`
	Guards  []GuardHit      `json:"guards,omitempty"`
	Missing []string        `json:"missing,omitempty"`
}

// MechanicsChange is where signs of grade 1 or more were seen: first and last trial, highest grade, every sign.
type MechanicsChange struct {
	OnsetTrial   int        `json:"onset_trial"`
	OnsetLoad    mass.Mass  `json:"onset_load"`
	EndTrial     int        `json:"end_trial"`
	EndLoad      mass.Mass  `json:"end_load"`
	HighestGrade int        `json:"highest_grade"`
	Signs        []SignKind `json:"signs"`
}

// LoadCeiling is a limit for the load worked out for one client. Load is nil where something is missing, which Text then says.
type LoadCeiling struct {
	Basis CeilingBasis `json:"basis"`
	Load  *mass.Mass   `json:"load,omitempty"`
	Text  string       `json:"text"`
}

// CeilingBasis is what a load ceiling comes from.
type CeilingBasis string

// The bases of ceilings.
const (
	CeilingProtocol    CeilingBasis = "protocol"
	CeilingBodyMass    CeilingBasis = "body_mass"
	CeilingCompression CeilingBasis = "compression"
)

// AerobicDemand is the share of the heart-rate reserve that a series took, in percent with one decimal, and for how long that share is within
// the published criterion.
type AerobicDemand struct {
	Trial            int    `json:"trial"`
	SteadyHeartRate  int    `json:"steady_heart_rate"`
	PercentOfReserve string `json:"percent_of_reserve"`
	SustainableFor   string `json:"sustainable_for"`
	Source           string `json:"source"`
}

// ProjectedCapacity is a capacity at a pace that was not measured, by a rule, from one that was.
type ProjectedCapacity struct {
	Zone       Zone      `json:"zone"`
	Pace       Pace      `json:"pace"`
	Load       mass.Mass `json:"load"`
	FromSeries int       `json:"from_series"`
	FromPace   Pace      `json:"from_pace"`
	Percent    int       `json:"percent"`
	Source     string    `json:"source"`
}

// Indicator compares measurements with what is expected when the effort follows the load; numbers are decimals as text. Series is 0 where it
// is not of one series, and for those of grip the number of the hand series.
type Indicator struct {
	Kind      string         `json:"kind"`
	Series    int            `json:"series_number,omitempty"`
	State     IndicatorState `json:"state"`
	Value     string         `json:"value,omitempty"`
	Unit      string         `json:"unit,omitempty"`
	Pairs     int            `json:"pairs,omitempty"`
	P         string         `json:"p,omitempty"`
	Method    string         `json:"method,omitempty"`
	Slope     string         `json:"slope,omitempty"`
	SlopeUnit string         `json:"slope_unit,omitempty"`
	Reason    string         `json:"reason,omitempty"`
}

// IndicatorRule is what all indicators of a kind are held against.
type IndicatorRule struct {
	Kind      string `json:"kind"`
	Expected  string `json:"expected"`
	Threshold string `json:"threshold"`
	Source    string `json:"source"`
	Critique  string `json:"critique,omitempty"`
}

// Consistency is how the measurements of a session hang together; no verdict on the person. Rules holds one for each kind of indicator that
// is there.
type Consistency struct {
	Indicators  []Indicator     `json:"indicators"`
	Rules       []IndicatorRule `json:"rules"`
	Assessed    int             `json:"assessed"`
	Agree       int             `json:"agree"`
	Mixed       int             `json:"mixed"`
	Disagree    int             `json:"disagree"`
	NotAssessed int             `json:"not_assessed"`
	Summary     string          `json:"summary"`
	Caution     string          `json:"caution"`
}

// HandStrength is what one hand series came to.
type HandStrength struct {
	SeriesNumber     int            `json:"series_number"`
	Measure          HandMeasure    `json:"measure"`
	Hand             Hand           `json:"hand"`
	Procedure        HandProcedure  `json:"procedure"`
	Strength         mass.Mass      `json:"strength"`
	Trials           int            `json:"trials"`
	VariationPercent string         `json:"variation_percent,omitempty"`
	Norms            []NormStanding `json:"norms,omitempty"`
}

// NormStanding is the place among one set of published norms. Bound is below or above where it lies beyond the printed percentiles.
type NormStanding struct {
	Norm       string `json:"norm"`
	Percentile string `json:"percentile"`
	Bound      string `json:"bound,omitempty"`
	Source     string `json:"source"`
}

// PositionTolerance is what one position series came to: Tolerance is the lower of the evaluator's rating and of what was observed.
type PositionTolerance struct {
	SeriesNumber   int       `json:"series_number"`
	Position       Position  `json:"position"`
	Tolerance      Tolerance `json:"tolerance"`
	Rating         Tolerance `json:"rating"`
	Observed       Tolerance `json:"observed,omitempty"`
	AskedSeconds   int       `json:"asked_seconds,omitempty"`
	KeptSeconds    int       `json:"kept_seconds,omitempty"`
	LongestSeconds int       `json:"longest_seconds,omitempty"`
}

// LimitKind is what a limit in plain language is about.
type LimitKind string

// The kinds of limits.
const (
	LimitLoad     LimitKind = "load"
	LimitHand     LimitKind = "hand"
	LimitPosition LimitKind = "position"
)

// WorkLimit is one limit in plain language. Basis is empty for a position.
type WorkLimit struct {
	Text         string    `json:"text"`
	Kind         LimitKind `json:"kind"`
	Basis        Basis     `json:"basis,omitempty"`
	SeriesNumber int       `json:"series_number,omitempty"`
}

// PositionMatch is the verdict on a position that a job asks for; Tolerance is empty when it was not tested.
type PositionMatch struct {
	Position     Position  `json:"position"`
	Demand       Tolerance `json:"demand"`
	Tolerance    Tolerance `json:"tolerance,omitempty"`
	Verdict      Verdict   `json:"verdict"`
	SeriesNumber int       `json:"series_number,omitempty"`
}

// HandMatch is the verdict on a grip or pinch that a job asks for, for one hand; Strength is nil when it was not tested.
type HandMatch struct {
	Name         string      `json:"name"`
	Measure      HandMeasure `json:"measure"`
	Hand         Hand        `json:"hand"`
	Demand       mass.Mass   `json:"demand"`
	Strength     *mass.Mass  `json:"strength,omitempty"`
	Verdict      Verdict     `json:"verdict"`
	ShortBy      *mass.Mass  `json:"short_by,omitempty"`
	SeriesNumber int         `json:"series_number,omitempty"`
}
