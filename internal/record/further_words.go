package record

// HandMeasure is what a dynamometer or a pinch gauge measures.
type HandMeasure string

// The measures.
const (
	Grip        HandMeasure = "grip"
	TipPinch    HandMeasure = "tip_pinch"
	KeyPinch    HandMeasure = "key_pinch"
	PalmarPinch HandMeasure = "palmar_pinch"
)

// HandMeasures returns every measure in order.
func HandMeasures() []HandMeasure { return []HandMeasure{Grip, TipPinch, KeyPinch, PalmarPinch} }

// Hand is the hand tested.
type Hand string

// The hands.
const (
	RightHand Hand = "right"
	LeftHand  Hand = "left"
)

// Hands returns both hands in order.
func Hands() []Hand { return []Hand{RightHand, LeftHand} }

// HandProcedure is how a hand series is run.
type HandProcedure string

// The procedures.
const (
	HandRepeated      HandProcedure = "repeated"
	HandFivePositions HandProcedure = "five_positions"
	HandRapidExchange HandProcedure = "rapid_exchange"
)

// BoutEnd is why a bout in a position ended.
type BoutEnd string

// The ends of bouts.
const (
	BoutCompleted      BoutEnd = "completed"
	BoutVolitional     BoutEnd = "volitional"
	BoutSymptom        BoutEnd = "symptom"
	BoutMechanics      BoutEnd = "mechanics"
	BoutHeartRate      BoutEnd = "heart_rate"
	BoutAdministrative BoutEnd = "administrative"
)

// Position of the body, or movement, whose tolerance is tested.
type Position string

// The positions, in the order in which they are shown.
const (
	Sitting          Position = "sitting"
	Standing         Position = "standing"
	Walking          Position = "walking"
	ClimbingStairs   Position = "climbing_stairs"
	ClimbingLadder   Position = "climbing_ladder"
	Balancing        Position = "balancing"
	Stooping         Position = "stooping"
	Kneeling         Position = "kneeling"
	Crouching        Position = "crouching"
	Crawling         Position = "crawling"
	ReachingForward  Position = "reaching_forward"
	ReachingOverhead Position = "reaching_overhead"
	Handling         Position = "handling"
	Fingering        Position = "fingering"
)

// Positions returns every position in order.
func Positions() []Position {
	return []Position{Sitting, Standing, Walking, ClimbingStairs, ClimbingLadder, Balancing, Stooping, Kneeling, Crouching, Crawling,
		ReachingForward, ReachingOverhead, Handling, Fingering}
}

// Tolerance is how much of a working day something is tolerated or demanded (DOT Appendix C, and never).
type Tolerance string

// The tolerances, lowest first.
const (
	NoTolerance         Tolerance = ""
	ToleratedNever      Tolerance = "never"
	ToleratedOccasional Tolerance = "occasional"
	ToleratedFrequent   Tolerance = "frequent"
	ToleratedConstant   Tolerance = "constant"
)

// Tolerances returns every tolerance, lowest first.
func Tolerances() []Tolerance {
	return []Tolerance{ToleratedNever, ToleratedOccasional, ToleratedFrequent, ToleratedConstant}
}

// ScreeningStatus is what the screening before the session came to.
type ScreeningStatus string

// The statuses of a screening.
const (
	ScreeningPassed     ScreeningStatus = "passed"
	ScreeningNotPassed  ScreeningStatus = "not_passed"
	ScreeningOverridden ScreeningStatus = "overridden"
	ScreeningIncomplete ScreeningStatus = "incomplete"
	ScreeningNotLimited ScreeningStatus = "not_limited"
)

// IndicatorState is what an indicator of consistency shows.
type IndicatorState string

// The states of an indicator.
const (
	IndicatorAgrees      IndicatorState = "agrees"
	IndicatorMixed       IndicatorState = "mixed"
	IndicatorDisagrees   IndicatorState = "disagrees"
	IndicatorNotAssessed IndicatorState = "not_assessed"
)
