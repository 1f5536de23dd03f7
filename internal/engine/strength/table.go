// Package strength places loads on the strength levels of the US Dictionary of Occupational Titles, 4th ed. rev. 1991, Appendix C
// (physical demands, strength rating): what level a person reaches in a zone, and what level a job demands.
package strength

import (
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// unitsPerPound is one pound in mass's unit: 0.45359237 kg exactly.
const unitsPerPound = 45_359_237_000

// noBound marks a pace at which a level demands a negligible load or none.
const noBound = 0

// upper holds the upper bound of each level in pounds at each pace, occasional, frequent, constant (DOT Appendix C). Very heavy
// is in excess of heavy's. The source calls frequent loads of sedentary and constant loads of light work negligible without
// giving a number. Row n is the level of rank n + 2.
var upper = [...]struct {
	level  record.Level
	pounds [3]int64
}{
	{record.Sedentary, [3]int64{10, noBound, noBound}},
	{record.Light, [3]int64{20, 10, noBound}},
	{record.Medium, [3]int64{50, 25, 10}},
	{record.Heavy, [3]int64{100, 50, 20}},
}

func pounds(n int64) mass.Mass { return mass.FromUnits(n * unitsPerPound) }

// Rank orders the levels: 0 for none, 1 for below sedentary, up to 6 for very heavy.
func Rank(l record.Level) int {
	switch l {
	case record.BelowSedentary:
		return 1
	case record.Sedentary:
		return 2
	case record.Light:
		return 3
	case record.Medium:
		return 4
	case record.Heavy:
		return 5
	case record.VeryHeavy:
		return 6
	}
	return 0
}

// next is the level above; none above very heavy.
func next(l record.Level) record.Level {
	switch l {
	case record.BelowSedentary:
		return record.Sedentary
	case record.Sedentary:
		return record.Light
	case record.Light:
		return record.Medium
	case record.Medium:
		return record.Heavy
	case record.Heavy:
		return record.VeryHeavy
	}
	return record.NoLevel
}

func paceIndex(p record.Pace) (i int, ok bool) {
	switch p {
	case record.Occasional:
		return 0, true
	case record.Frequent:
		return 1, true
	case record.Constant:
		return 2, true
	}
	return 0, false
}

// boundPounds is the load in pounds that reaches a level at a pace (for very heavy, that must be exceeded); noBound where there is none.
func boundPounds(l record.Level, pace int) int64 {
	row := min(Rank(l), Rank(record.Heavy)) - Rank(record.Sedentary)
	if row < 0 {
		return noBound
	}
	return upper[row].pounds[pace]
}

// Reached is the highest level whose upper bound at that pace a capacity reaches. Bounds are inclusive: exactly 50 lb occasional
// reaches medium, and so does 22.6796185 kg. A level without a bound at that pace is reached by any capacity. An unknown pace
// reaches no level.
func Reached(pace record.Pace, capacity mass.Mass) record.Level {
	p, ok := paceIndex(pace)
	if !ok {
		return record.NoLevel
	}
	if pounds(boundPounds(record.VeryHeavy, p)).Less(capacity) {
		return record.VeryHeavy
	}
	reached := record.BelowSedentary
	for _, row := range upper {
		if b := row.pounds[p]; b != noBound && capacity.Less(pounds(b)) {
			break
		}
		reached = row.level
	}
	return reached
}

// Demanded is the lowest level whose upper bound at that pace a load does not exceed: a load exactly on a bound belongs to the
// lower level, as the table's "up to" says. A negligible load has no number in the source, so any load above nothing at the
// frequent pace demands light, at the constant pace medium: a demand is never understated. An unknown pace demands no level.
func Demanded(pace record.Pace, load mass.Mass) record.Level {
	p, ok := paceIndex(pace)
	if !ok {
		return record.NoLevel
	}
	for _, row := range upper {
		if load.Cmp(pounds(row.pounds[p])) <= 0 {
			return row.level
		}
	}
	return record.VeryHeavy
}

// OfJob is the level that a job demands: the highest over its tasks; none for a job without tasks.
func OfJob(job *record.JobProfile) record.Level {
	highest := record.NoLevel
	for i := range job.Tasks {
		if l := Demanded(job.Tasks[i].Pace, job.Tasks[i].Load); Rank(l) > Rank(highest) {
			highest = l
		}
	}
	return highest
}
