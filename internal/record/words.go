// Package record holds the stored and shown types, with the words that they use and their validation. Every record marshals to
// JSON with snake_case names; its canonical form (RFC 8785) is what is stored, hashed and signed.
package record

// Zone is the range of the body through which a load is handled.
type Zone string

// The zones, in the order in which they are shown.
const (
	FloorWaist       Zone = "floor_waist"
	WaistShoulder    Zone = "waist_shoulder"
	ShoulderOverhead Zone = "shoulder_overhead"
	FloorShoulder    Zone = "floor_shoulder"
	Carry            Zone = "carry"
	Push             Zone = "push"
	Pull             Zone = "pull"
)

// Zones returns every zone in order.
func Zones() []Zone {
	return []Zone{FloorWaist, WaistShoulder, ShoulderOverhead, FloorShoulder, Carry, Push, Pull}
}

// Lifting reports whether the zone is a lift (not carry, push or pull).
func (z Zone) Lifting() bool {
	return z == FloorWaist || z == WaistShoulder || z == ShoulderOverhead || z == FloorShoulder
}

// Pace is how much of the working day a load is handled (DOT Appendix C).
type Pace string

// The paces, rarest first.
const (
	Occasional Pace = "occasional"
	Frequent   Pace = "frequent"
	Constant   Pace = "constant"
)

// Paces returns every pace in order.
func Paces() []Pace { return []Pace{Occasional, Frequent, Constant} }

// Level is a strength level of the US Dictionary of Occupational Titles, Appendix C.
type Level string

// The levels, weakest first.
const (
	NoLevel        Level = ""
	BelowSedentary Level = "below_sedentary"
	Sedentary      Level = "sedentary"
	Light          Level = "light"
	Medium         Level = "medium"
	Heavy          Level = "heavy"
	VeryHeavy      Level = "very_heavy"
)

// Levels returns the levels in rising order, from BelowSedentary.
func Levels() []Level {
	return []Level{BelowSedentary, Sedentary, Light, Medium, Heavy, VeryHeavy}
}

// Sex as some published limits need it.
type Sex string

// The sexes of published tables; empty when not stated.
const (
	Female Sex = "female"
	Male   Sex = "male"
)

// Role is what a credential allows its holder to do.
type Role string

// The roles.
const (
	RoleEvaluator      Role = "evaluator"
	RoleReviewer       Role = "reviewer"
	RoleClinicAdmin    Role = "clinic_admin"
	RoleStation        Role = "station"
	RolePayer          Role = "payer"
	RoleNetworkAuditor Role = "network_auditor"
	RoleNetworkAdmin   Role = "network_admin"
)

// Personal reports whether the role is one that a member has; the others are a token's own.
func (r Role) Personal() bool { return r == RoleEvaluator || r == RoleReviewer || r == RoleClinicAdmin }

// Roles returns every role.
func Roles() []Role {
	return []Role{RoleEvaluator, RoleReviewer, RoleClinicAdmin, RoleStation, RolePayer, RoleNetworkAuditor, RoleNetworkAdmin}
}

// EndReason is why a series ended.
type EndReason string

// The end reasons.
const (
	EndVolitional     EndReason = "volitional"
	EndEffort         EndReason = "effort"
	EndHeartRate      EndReason = "heart_rate"
	EndMechanics      EndReason = "mechanics"
	EndCeiling        EndReason = "ceiling"
	EndSymptom        EndReason = "symptom"
	EndAdministrative EndReason = "administrative"
	EndIncomplete     EndReason = "incomplete"
)

// Stop is what the evaluator recorded as the end of a series; empty when nothing was.
type Stop string

// The stops.
const (
	StopVolitional     Stop = "volitional"
	StopAdministrative Stop = "administrative"
	StopCeiling        Stop = "ceiling"
	StopSymptom        Stop = "symptom"
)

// SignKind is an observed change in how the load is handled.
type SignKind string

// The signs.
const (
	SignLoadDistance    SignKind = "load_distance"
	SignBaseOfSupport   SignKind = "base_of_support"
	SignHeelRise        SignKind = "heel_rise"
	SignTrunkLean       SignKind = "trunk_lean"
	SignTwist           SignKind = "twist"
	SignMomentum        SignKind = "momentum"
	SignUnevenHands     SignKind = "uneven_hands"
	SignBreathHolding   SignKind = "breath_holding"
	SignLoweringControl SignKind = "lowering_control"
)

// Symptom that ends a session at once.
type Symptom string

// The symptoms.
const (
	SymptomChestPain          Symptom = "chest_pain"
	SymptomDizziness          Symptom = "dizziness"
	SymptomBreathlessness     Symptom = "breathlessness"
	SymptomRadiatingPain      Symptom = "radiating_pain"
	SymptomNumbnessOrWeakness Symptom = "numbness_or_weakness"
	SymptomOther              Symptom = "other"
)

// TrialStatus is what the engine makes of one trial.
type TrialStatus string

// The statuses.
const (
	TrialAccepted   TrialStatus = "accepted"
	TrialFailed     TrialStatus = "failed"
	TrialIncomplete TrialStatus = "incomplete"
	TrialClosed     TrialStatus = "closed"
)

// Basis says how a bound was established.
type Basis string

// The bases.
const (
	Measured  Basis = "measured"
	Projected Basis = "projected"
)

// Verdict compares one task with the capacity at its zone and pace.
type Verdict string

// The verdicts.
const (
	TaskWithin    Verdict = "within"
	TaskShort     Verdict = "short"
	TaskNotTested Verdict = "not_tested"
	// TaskWithinError: short by no more than the error of measurement.
	TaskWithinError Verdict = "within_error"
)

// Outcome is the engine's recommendation or the reviewer's decision on a job.
type Outcome string

// The outcomes; empty when there is no target job.
const (
	Meets              Outcome = "meets"
	MeetsWithLimits    Outcome = "meets_with_limits"
	DoesNotMeet        Outcome = "does_not_meet"
	CannotBeDetermined Outcome = "cannot_be_determined"
)

// Meaning of an electronic signature.
type Meaning string

// The meanings.
const (
	MeaningReviewed          Meaning = "reviewed"
	MeaningTestedAndReviewed Meaning = "tested_and_reviewed"
	MeaningCountersigned     Meaning = "countersigned"
)

// HeartRateFormula predicts the maximum heart rate from age.
type HeartRateFormula string

// The formulae.
const (
	Fox1971    HeartRateFormula = "fox_1971"
	Tanaka2001 HeartRateFormula = "tanaka_2001"

	Gellish2007          HeartRateFormula = "gellish_2007"
	Gellish2007Quadratic HeartRateFormula = "gellish_2007_quadratic"
	Gulati2010Women      HeartRateFormula = "gulati_2010_women"
	Sydo2014Men          HeartRateFormula = "sydo_2014_men"
	Sydo2014Women        HeartRateFormula = "sydo_2014_women"
	Zhu2010              HeartRateFormula = "zhu_2010"
	BetaBlockerFormula   HeartRateFormula = "beta_blocker"
)

// Sex is the sex whose maximum heart rate the formula predicts; empty where it is for both.
func (f HeartRateFormula) Sex() Sex {
	switch f {
	case Gulati2010Women, Sydo2014Women:
		return Female
	case Sydo2014Men:
		return Male
	default:
		return ""
	}
}

// RepetitionKind is what counts as one repetition. Published sources disagree, so a protocol says it.
type RepetitionKind string

// The kinds: one movement up or down, or up and down again.
const (
	RepetitionMovement RepetitionKind = "movement"
	RepetitionCycle    RepetitionKind = "cycle"
)
