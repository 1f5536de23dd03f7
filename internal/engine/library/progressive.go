package library

import (
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// progressiveSource stands in each variant. What is ours and what is from memory is said there, because a reader of a result sees it.
const progressiveSource = "Progressive isoinertial lifting evaluation, 1988: loads and pace as a later source prints them. From memory: " +
	"end at 85 % of the age-predicted maximum heart rate and at 55-60 % of body mass (55 taken). Ours: pace recorded as occasional (a stage of " +
	"20 s shows no tolerance over a day), effort stop 8, formula 220 - age. Sources disagree on metric rounding and on what a lift is: see the name."

// The stage of the published protocol: four lifts in 20 seconds.
const (
	stageLifts     = 4
	liftsPerMinute = 12
)

// Progressive1988 returns the published protocol of 1988 for the lower (0 to 30 inches) and upper (30 to 54 inches) lift in the variants
// on record: for women and for men, in the pounds of the original and in the rounded kilograms of a secondary source, and with a lift read as
// one movement and as one cycle. The container counts as load.
func Progressive1988() []record.Protocol {
	variants := []struct {
		sex         record.Sex
		who, unit   string
		start, step mass.Mass
	}{
		{record.Female, "women", "lb", pounds(8), pounds(5)},
		{record.Female, "women", "kg as printed", grams(3600), grams(2250)},
		{record.Male, "men", "lb", pounds(13), pounds(10)},
		{record.Male, "men", "kg as printed", grams(5850), grams(4500)},
	}
	var all []record.Protocol
	for _, v := range variants {
		for _, kind := range []record.RepetitionKind{record.RepetitionMovement, record.RepetitionCycle} {
			all = append(all, record.Protocol{
				Name:  "Progressive isoinertial lift 1988, " + v.who + ", " + v.unit + ", a lift is one " + string(kind),
				Zones: []record.Zone{record.FloorWaist, record.WaistShoulder}, Pace: record.Occasional,
				StartLoad: v.start, Steps: []record.LoadStep{{Increment: v.step}}, Repetitions: stageLifts, LiftsPerMinute: liftsPerMinute,
				RepetitionIs: kind, EffortStop: houseEffortStop, PercentOfBodyMass: 55, AppliesToSex: v.sex,
				HeartRateLimit:    &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Fox1971},
				RequiresHeartRate: true, RequiresEffortRating: true, Source: progressiveSource,
			})
		}
	}
	return all
}
