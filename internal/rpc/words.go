package rpc

import (
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// words is a table between the values of an enum on the wire and the words of a record. The unspecified value stands for the empty word.
type words[E ~int32, W ~string] struct {
	toWord  map[E]W
	toValue map[W]E
}

func newWords[E ~int32, W ~string](pairs map[E]W) words[E, W] {
	back := make(map[W]E, len(pairs))
	for value, word := range pairs {
		back[word] = value
	}
	return words[E, W]{toWord: pairs, toValue: back}
}

// word is the word of a value; the unspecified value and an unknown one have none.
func (w words[E, W]) word(value E) (W, bool) {
	word, ok := w.toWord[value]
	return word, ok
}

// value is the value of a word.
func (w words[E, W]) value(word W) (E, bool) {
	value, ok := w.toValue[word]
	return value, ok
}

// The tables. A test ranges over the enums' descriptors and over the records' lists, so that neither side can grow alone.
var (
	units = newWords(map[pb.Unit]mass.Unit{
		pb.Unit_UNIT_LB: mass.Pound,
		pb.Unit_UNIT_KG: mass.Kilogram,
	})
	zones = newWords(map[pb.Zone]record.Zone{
		pb.Zone_ZONE_FLOOR_WAIST:       record.FloorWaist,
		pb.Zone_ZONE_WAIST_SHOULDER:    record.WaistShoulder,
		pb.Zone_ZONE_SHOULDER_OVERHEAD: record.ShoulderOverhead,
		pb.Zone_ZONE_FLOOR_SHOULDER:    record.FloorShoulder,
		pb.Zone_ZONE_CARRY:             record.Carry,
		pb.Zone_ZONE_PUSH:              record.Push,
		pb.Zone_ZONE_PULL:              record.Pull,
	})
	paces = newWords(map[pb.Pace]record.Pace{
		pb.Pace_PACE_OCCASIONAL: record.Occasional,
		pb.Pace_PACE_FREQUENT:   record.Frequent,
		pb.Pace_PACE_CONSTANT:   record.Constant,
	})
	levels = newWords(map[pb.StrengthLevel]record.Level{
		pb.StrengthLevel_STRENGTH_LEVEL_BELOW_SEDENTARY: record.BelowSedentary,
		pb.StrengthLevel_STRENGTH_LEVEL_SEDENTARY:       record.Sedentary,
		pb.StrengthLevel_STRENGTH_LEVEL_LIGHT:           record.Light,
		pb.StrengthLevel_STRENGTH_LEVEL_MEDIUM:          record.Medium,
		pb.StrengthLevel_STRENGTH_LEVEL_HEAVY:           record.Heavy,
		pb.StrengthLevel_STRENGTH_LEVEL_VERY_HEAVY:      record.VeryHeavy,
	})
	sexes = newWords(map[pb.Sex]record.Sex{
		pb.Sex_SEX_FEMALE: record.Female,
		pb.Sex_SEX_MALE:   record.Male,
	})
	roles = newWords(map[pb.Role]record.Role{
		pb.Role_ROLE_EVALUATOR:       record.RoleEvaluator,
		pb.Role_ROLE_REVIEWER:        record.RoleReviewer,
		pb.Role_ROLE_CLINIC_ADMIN:    record.RoleClinicAdmin,
		pb.Role_ROLE_STATION:         record.RoleStation,
		pb.Role_ROLE_PAYER:           record.RolePayer,
		pb.Role_ROLE_NETWORK_AUDITOR: record.RoleNetworkAuditor,
		pb.Role_ROLE_NETWORK_ADMIN:   record.RoleNetworkAdmin,
	})
	endReasons = newWords(map[pb.EndReason]record.EndReason{
		pb.EndReason_END_REASON_VOLITIONAL:     record.EndVolitional,
		pb.EndReason_END_REASON_EFFORT:         record.EndEffort,
		pb.EndReason_END_REASON_HEART_RATE:     record.EndHeartRate,
		pb.EndReason_END_REASON_MECHANICS:      record.EndMechanics,
		pb.EndReason_END_REASON_CEILING:        record.EndCeiling,
		pb.EndReason_END_REASON_SYMPTOM:        record.EndSymptom,
		pb.EndReason_END_REASON_ADMINISTRATIVE: record.EndAdministrative,
		pb.EndReason_END_REASON_INCOMPLETE:     record.EndIncomplete,
	})
	stops = newWords(map[pb.Stop]record.Stop{
		pb.Stop_STOP_VOLITIONAL:     record.StopVolitional,
		pb.Stop_STOP_ADMINISTRATIVE: record.StopAdministrative,
		pb.Stop_STOP_CEILING:        record.StopCeiling,
		pb.Stop_STOP_SYMPTOM:        record.StopSymptom,
	})
	signs = newWords(map[pb.Sign]record.SignKind{
		pb.Sign_SIGN_LOAD_DISTANCE:    record.SignLoadDistance,
		pb.Sign_SIGN_BASE_OF_SUPPORT:  record.SignBaseOfSupport,
		pb.Sign_SIGN_HEEL_RISE:        record.SignHeelRise,
		pb.Sign_SIGN_TRUNK_LEAN:       record.SignTrunkLean,
		pb.Sign_SIGN_TWIST:            record.SignTwist,
		pb.Sign_SIGN_MOMENTUM:         record.SignMomentum,
		pb.Sign_SIGN_UNEVEN_HANDS:     record.SignUnevenHands,
		pb.Sign_SIGN_BREATH_HOLDING:   record.SignBreathHolding,
		pb.Sign_SIGN_LOWERING_CONTROL: record.SignLoweringControl,
	})
	symptoms = newWords(map[pb.Symptom]record.Symptom{
		pb.Symptom_SYMPTOM_CHEST_PAIN:           record.SymptomChestPain,
		pb.Symptom_SYMPTOM_DIZZINESS:            record.SymptomDizziness,
		pb.Symptom_SYMPTOM_BREATHLESSNESS:       record.SymptomBreathlessness,
		pb.Symptom_SYMPTOM_RADIATING_PAIN:       record.SymptomRadiatingPain,
		pb.Symptom_SYMPTOM_NUMBNESS_OR_WEAKNESS: record.SymptomNumbnessOrWeakness,
		pb.Symptom_SYMPTOM_OTHER:                record.SymptomOther,
	})
	trialStatuses = newWords(map[pb.TrialStatus]record.TrialStatus{
		pb.TrialStatus_TRIAL_STATUS_ACCEPTED:   record.TrialAccepted,
		pb.TrialStatus_TRIAL_STATUS_FAILED:     record.TrialFailed,
		pb.TrialStatus_TRIAL_STATUS_INCOMPLETE: record.TrialIncomplete,
		pb.TrialStatus_TRIAL_STATUS_CLOSED:     record.TrialClosed,
	})
	bases = newWords(map[pb.Basis]record.Basis{
		pb.Basis_BASIS_MEASURED:  record.Measured,
		pb.Basis_BASIS_PROJECTED: record.Projected,
	})
	verdicts = newWords(map[pb.TaskVerdict]record.Verdict{
		pb.TaskVerdict_TASK_VERDICT_WITHIN:       record.TaskWithin,
		pb.TaskVerdict_TASK_VERDICT_SHORT:        record.TaskShort,
		pb.TaskVerdict_TASK_VERDICT_NOT_TESTED:   record.TaskNotTested,
		pb.TaskVerdict_TASK_VERDICT_WITHIN_ERROR: record.TaskWithinError,
	})
	outcomes = newWords(map[pb.JobOutcome]record.Outcome{
		pb.JobOutcome_JOB_OUTCOME_MEETS:                record.Meets,
		pb.JobOutcome_JOB_OUTCOME_MEETS_WITH_LIMITS:    record.MeetsWithLimits,
		pb.JobOutcome_JOB_OUTCOME_DOES_NOT_MEET:        record.DoesNotMeet,
		pb.JobOutcome_JOB_OUTCOME_CANNOT_BE_DETERMINED: record.CannotBeDetermined,
	})
	meanings = newWords(map[pb.SignatureMeaning]record.Meaning{
		pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED:            record.MeaningReviewed,
		pb.SignatureMeaning_SIGNATURE_MEANING_TESTED_AND_REVIEWED: record.MeaningTestedAndReviewed,
		pb.SignatureMeaning_SIGNATURE_MEANING_COUNTERSIGNED:       record.MeaningCountersigned,
	})
	repetitionKinds = newWords(map[pb.RepetitionKind]record.RepetitionKind{
		pb.RepetitionKind_REPETITION_KIND_MOVEMENT: record.RepetitionMovement,
		pb.RepetitionKind_REPETITION_KIND_CYCLE:    record.RepetitionCycle,
	})
	formulae = newWords(map[pb.HeartRateFormula]record.HeartRateFormula{
		pb.HeartRateFormula_HEART_RATE_FORMULA_FOX_1971:               record.Fox1971,
		pb.HeartRateFormula_HEART_RATE_FORMULA_TANAKA_2001:            record.Tanaka2001,
		pb.HeartRateFormula_HEART_RATE_FORMULA_GELLISH_2007:           record.Gellish2007,
		pb.HeartRateFormula_HEART_RATE_FORMULA_GELLISH_2007_QUADRATIC: record.Gellish2007Quadratic,
		pb.HeartRateFormula_HEART_RATE_FORMULA_GULATI_2010_WOMEN:      record.Gulati2010Women,
		pb.HeartRateFormula_HEART_RATE_FORMULA_SYDO_2014_MEN:          record.Sydo2014Men,
		pb.HeartRateFormula_HEART_RATE_FORMULA_SYDO_2014_WOMEN:        record.Sydo2014Women,
		pb.HeartRateFormula_HEART_RATE_FORMULA_ZHU_2010:               record.Zhu2010,
		pb.HeartRateFormula_HEART_RATE_FORMULA_BETA_BLOCKER:           record.BetaBlockerFormula,
	})
)
