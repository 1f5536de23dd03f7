package rpc

import (
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// The tables of hands, positions, screening and consistency.
var (
	handMeasures = newWords(map[pb.HandMeasure]record.HandMeasure{
		pb.HandMeasure_HAND_MEASURE_GRIP:         record.Grip,
		pb.HandMeasure_HAND_MEASURE_TIP_PINCH:    record.TipPinch,
		pb.HandMeasure_HAND_MEASURE_KEY_PINCH:    record.KeyPinch,
		pb.HandMeasure_HAND_MEASURE_PALMAR_PINCH: record.PalmarPinch,
	})
	handSides = newWords(map[pb.Hand]record.Hand{
		pb.Hand_HAND_RIGHT: record.RightHand,
		pb.Hand_HAND_LEFT:  record.LeftHand,
	})
	handProcedures = newWords(map[pb.HandProcedure]record.HandProcedure{
		pb.HandProcedure_HAND_PROCEDURE_REPEATED:       record.HandRepeated,
		pb.HandProcedure_HAND_PROCEDURE_FIVE_POSITIONS: record.HandFivePositions,
		pb.HandProcedure_HAND_PROCEDURE_RAPID_EXCHANGE: record.HandRapidExchange,
	})
	boutEnds = newWords(map[pb.BoutEnd]record.BoutEnd{
		pb.BoutEnd_BOUT_END_COMPLETED:      record.BoutCompleted,
		pb.BoutEnd_BOUT_END_VOLITIONAL:     record.BoutVolitional,
		pb.BoutEnd_BOUT_END_SYMPTOM:        record.BoutSymptom,
		pb.BoutEnd_BOUT_END_MECHANICS:      record.BoutMechanics,
		pb.BoutEnd_BOUT_END_HEART_RATE:     record.BoutHeartRate,
		pb.BoutEnd_BOUT_END_ADMINISTRATIVE: record.BoutAdministrative,
	})
	positionKinds = newWords(map[pb.Position]record.Position{
		pb.Position_POSITION_SITTING:           record.Sitting,
		pb.Position_POSITION_STANDING:          record.Standing,
		pb.Position_POSITION_WALKING:           record.Walking,
		pb.Position_POSITION_CLIMBING_STAIRS:   record.ClimbingStairs,
		pb.Position_POSITION_CLIMBING_LADDER:   record.ClimbingLadder,
		pb.Position_POSITION_BALANCING:         record.Balancing,
		pb.Position_POSITION_STOOPING:          record.Stooping,
		pb.Position_POSITION_KNEELING:          record.Kneeling,
		pb.Position_POSITION_CROUCHING:         record.Crouching,
		pb.Position_POSITION_CRAWLING:          record.Crawling,
		pb.Position_POSITION_REACHING_FORWARD:  record.ReachingForward,
		pb.Position_POSITION_REACHING_OVERHEAD: record.ReachingOverhead,
		pb.Position_POSITION_HANDLING:          record.Handling,
		pb.Position_POSITION_FINGERING:         record.Fingering,
	})
	tolerances = newWords(map[pb.Tolerance]record.Tolerance{
		pb.Tolerance_TOLERANCE_NEVER:      record.ToleratedNever,
		pb.Tolerance_TOLERANCE_OCCASIONAL: record.ToleratedOccasional,
		pb.Tolerance_TOLERANCE_FREQUENT:   record.ToleratedFrequent,
		pb.Tolerance_TOLERANCE_CONSTANT:   record.ToleratedConstant,
	})
	screeningStatuses = newWords(map[pb.ScreeningStatus]record.ScreeningStatus{
		pb.ScreeningStatus_SCREENING_STATUS_PASSED:      record.ScreeningPassed,
		pb.ScreeningStatus_SCREENING_STATUS_NOT_PASSED:  record.ScreeningNotPassed,
		pb.ScreeningStatus_SCREENING_STATUS_OVERRIDDEN:  record.ScreeningOverridden,
		pb.ScreeningStatus_SCREENING_STATUS_INCOMPLETE:  record.ScreeningIncomplete,
		pb.ScreeningStatus_SCREENING_STATUS_NOT_LIMITED: record.ScreeningNotLimited,
	})
	indicatorStates = newWords(map[pb.IndicatorState]record.IndicatorState{
		pb.IndicatorState_INDICATOR_STATE_AGREES:       record.IndicatorAgrees,
		pb.IndicatorState_INDICATOR_STATE_MIXED:        record.IndicatorMixed,
		pb.IndicatorState_INDICATOR_STATE_DISAGREES:    record.IndicatorDisagrees,
		pb.IndicatorState_INDICATOR_STATE_NOT_ASSESSED: record.IndicatorNotAssessed,
	})
)
