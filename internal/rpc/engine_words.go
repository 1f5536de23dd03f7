package rpc

import (
	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
)

// The tables of the engine's own words. A test ranges over the enums' descriptors.
var (
	liftingForms = newWords(map[pb.LiftingForm]deskwork.LiftingForm{
		pb.LiftingForm_LIFTING_FORM_US:     "us",
		pb.LiftingForm_LIFTING_FORM_METRIC: "metric",
	})
	liftingDurations = newWords(map[pb.LiftingDuration]deskwork.LiftingDuration{
		pb.LiftingDuration_LIFTING_DURATION_SHORT:    "short",
		pb.LiftingDuration_LIFTING_DURATION_MODERATE: "moderate",
		pb.LiftingDuration_LIFTING_DURATION_LONG:     "long",
	})
	couplings = newWords(map[pb.Coupling]deskwork.Coupling{
		pb.Coupling_COUPLING_GOOD: "good",
		pb.Coupling_COUPLING_FAIR: "fair",
		pb.Coupling_COUPLING_POOR: "poor",
	})
	liftingConditions = newWords(map[pb.LiftingCondition]deskwork.LiftingCondition{
		pb.LiftingCondition_LIFTING_CONDITION_ONE_HANDED:            "one_handed",
		pb.LiftingCondition_LIFTING_CONDITION_OVER_EIGHT_HOURS:      "over_eight_hours",
		pb.LiftingCondition_LIFTING_CONDITION_SEATED_OR_KNEELING:    "seated_or_kneeling",
		pb.LiftingCondition_LIFTING_CONDITION_RESTRICTED_SPACE:      "restricted_space",
		pb.LiftingCondition_LIFTING_CONDITION_UNSTABLE_OBJECT:       "unstable_object",
		pb.LiftingCondition_LIFTING_CONDITION_WHILE_MOVING:          "while_carrying_pushing_pulling",
		pb.LiftingCondition_LIFTING_CONDITION_WHEELBARROW_OR_SHOVEL: "wheelbarrow_or_shovel",
		pb.LiftingCondition_LIFTING_CONDITION_HIGH_SPEED:            "high_speed",
		pb.LiftingCondition_LIFTING_CONDITION_SLIPPERY_FLOOR:        "slippery_floor",
		pb.LiftingCondition_LIFTING_CONDITION_HARSH_ENVIRONMENT:     "harsh_environment",
	})
	handlingTasks = newWords(map[pb.HandlingTask]deskwork.HandlingTask{
		pb.HandlingTask_HANDLING_TASK_LIFT:           "lift",
		pb.HandlingTask_HANDLING_TASK_LOWER:          "lower",
		pb.HandlingTask_HANDLING_TASK_PUSH_INITIAL:   "push_initial",
		pb.HandlingTask_HANDLING_TASK_PUSH_SUSTAINED: "push_sustained",
		pb.HandlingTask_HANDLING_TASK_PULL_INITIAL:   "pull_initial",
		pb.HandlingTask_HANDLING_TASK_PULL_SUSTAINED: "pull_sustained",
		pb.HandlingTask_HANDLING_TASK_CARRY:          "carry",
	})
	handleKinds = newWords(map[pb.Handles]deskwork.Handles{
		pb.Handles_HANDLES_GOOD: "good",
		pb.Handles_HANDLES_POOR: "poor",
		pb.Handles_HANDLES_NONE: "none",
	})
	forceUnits = newWords(map[pb.ForceUnit]deskwork.ForceUnit{
		pb.ForceUnit_FORCE_UNIT_N:   "N",
		pb.ForceUnit_FORCE_UNIT_KGF: "kgf",
		pb.ForceUnit_FORCE_UNIT_LBF: "lbf",
	})
)
