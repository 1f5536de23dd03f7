package consistency

import (
	"cmp"
	"slices"

	"ponderal.example/internal/record"
)

// mechanics looks whether a change in how the load is handled was seen near the end of a series that the person's limit ended. The series ends
// with its heaviest load: a retest that follows at a lighter one is no part of it.
func (w *worker) mechanics(i *Indicator, s *record.Series) {
	*i = Indicator{Kind: MechanicsNearEnd, Series: s.Number, Unit: unitTrials, State: NotAssessed}
	trials := climb(s.Trials)
	onset, last, seen := Onset(trials)
	switch {
	case !w.sound:
		i.Reason = settingsReason
	case !w.limited(s, trials, last):
		i.Reason = noLimitReason
	case len(trials) < 3:
		i.Reason = fewTrialsReason
	case !seen:
		i.Reason = noSignsReason
	case onset == 0:
		i.State = Disagrees
	case len(trials)-last < w.settings.LastTrials:
		i.State, i.Number, i.HasNumber = Agrees, float64(onset), true
	default:
		i.State, i.Number, i.HasNumber = Mixed, float64(onset), true
	}
}

// climb is the trials up to the last one with the heaviest load.
func climb(trials []record.Trial) []record.Trial {
	end := 0
	for i := range trials {
		if !trials[i].Load.Less(trials[end].Load) {
			end = i
		}
	}
	return trials[:min(end+1, len(trials))]
}

// limited reports whether the person's own limit, effort or mechanics ended the series: by the end that the caller worked out; where there
// is none, by the recorded stop, or else by the last trial of the climb: no more possible, not sustainable, a rating of 8 or more, an
// unsafe sign.
func (w *worker) limited(s *record.Series, trials []record.Trial, last int) bool {
	if w.endOf != nil {
		if end := w.endOf(s.Number); end != "" {
			return end == record.EndVolitional || end == record.EndEffort || end == record.EndMechanics
		}
	}
	if s.Stop == record.StopVolitional {
		return true
	}
	if s.Stop != "" || len(trials) == 0 {
		return false
	}
	end := &trials[len(trials)-1]
	rating, rated := ratingOf(end)
	return rated && rating >= effortStop || refuses(end.Sustainable) || refuses(end.MorePossible) || last == len(trials) && grade(end) == unsafe
}

func refuses(answer *bool) bool { return answer != nil && !*answer }

const (
	// effortStop is the rating that ends a series, 8 (common practice, no source), in halves.
	effortStop record.Effort = 16
	// unsafe is the grade that ends a series.
	unsafe = 3
)

// Onset finds among trials in their order the first and the last with a sign of grade 1 or more, counted from 1; 0 where there is none. Seen says
// that any sign was recorded, a steady one too: where nothing was, nothing is known.
func Onset(trials []record.Trial) (first, last int, seen bool) {
	for i := range trials {
		seen = seen || len(trials[i].Signs) > 0
		if grade(&trials[i]) > 0 {
			last = i + 1
			if first == 0 {
				first = last
			}
		}
	}
	return first, last, seen
}

// grade is the highest of the trial's signs, those out of range left out.
func grade(t *record.Trial) int {
	highest := 0
	for i := range t.Signs {
		if g := t.Signs[i].Grade; gradeSound(g) {
			highest = max(highest, g)
		}
	}
	return highest
}

// rated is a trial with a rating and where it stands.
type rated struct {
	trial  *record.Trial
	series *record.Series
	rating record.Effort
}

// before orders trials by time.
func (a *rated) before(b *rated) bool {
	return cmp.Or(a.trial.At.Std().Compare(b.trial.At.Std()), cmp.Compare(a.series.Number, b.series.Number), cmp.Compare(a.trial.Number, b.trial.Number)) < 0
}

// task is what is handled: a load in a zone at a pace, with the first rated trial of it.
type task struct {
	load  int64
	zone  record.Zone
	pace  record.Pace
	first rated
}

func byTask(a, b task) int {
	return cmp.Or(cmp.Compare(a.load, b.load), cmp.Compare(a.zone, b.zone), cmp.Compare(a.pace, b.pace))
}

func sameTask(a, b task) bool { return a.load == b.load && a.zone == b.zone && a.pace == b.pace }

func (a *rated) task() task {
	return task{load: a.trial.Load.Units(), zone: a.series.Zone, pace: a.series.Pace}
}

// find is the task of a trial among those listed in order; nil where it is none of them. Of one load there are no more tasks than series.
func (a *rated) find(tasks []task) *task {
	load := a.trial.Load.Units()
	low, high := 0, len(tasks)
	for low < high {
		if middle := (low + high) / 2; tasks[middle].load < load {
			low = middle + 1
		} else {
			high = middle
		}
	}
	for ; low < len(tasks) && tasks[low].load == load; low++ {
		if t := &tasks[low]; t.zone == a.series.Zone && t.pace == a.series.Pace {
			return t
		}
	}
	return nil
}

// ratings compares each blinded trial with the first rated trial before it of the same load, zone and pace: the largest shift counts, of
// equal ones the first.
func (w *worker) ratings(i *Indicator, series []record.Series) {
	*i = Indicator{Kind: RatingAtEqualLoad, Unit: unitPoints, State: NotAssessed, Reason: noEqualLoadReason}
	if !w.sound {
		i.Reason = settingsReason
		return
	}
	var room [16]rated
	blinded := room[:0]
	eachRated(series, func(r rated) {
		if r.trial.Blinded {
			blinded = append(blinded, r)
		}
	})
	if len(blinded) == 0 {
		return
	}
	tasks := tasksOf(blinded, series)
	var largest *rated
	shift := record.Effort(0)
	for k := range blinded {
		r := &blinded[k]
		from := r.find(tasks)
		if from == nil || from.first.trial == r.trial {
			continue
		}
		s := r.rating - from.first.rating
		if largest == nil || size(s) > size(shift) || size(s) == size(shift) && r.before(largest) {
			largest, shift = r, s
		}
	}
	if largest == nil {
		return
	}
	i.Series, i.Number, i.HasNumber, i.Reason = largest.series.Number, shift.Float(), true, fatigueReason
	switch {
	case size(shift) <= w.settings.ShiftAgrees:
		i.State = Agrees
	case size(shift) <= w.settings.ShiftMixed:
		i.State = Mixed
	default:
		i.State = Disagrees
	}
}

// tasksOf are the tasks of the blinded trials, each with the first rated trial of it, blinded or not.
func tasksOf(blinded []rated, series []record.Series) []task {
	tasks := make([]task, len(blinded))
	for k := range blinded {
		tasks[k] = blinded[k].task()
	}
	slices.SortFunc(tasks, byTask)
	tasks = slices.CompactFunc(tasks, sameTask)
	eachRated(series, func(r rated) {
		if t := r.find(tasks); t != nil && (t.first.trial == nil || r.before(&t.first)) {
			t.first = r
		}
	})
	return tasks
}

// eachRated visits the trials with a load and a rating within their ranges.
func eachRated(series []record.Series, visit func(rated)) {
	for k := range series {
		for j := range series[k].Trials {
			t := &series[k].Trials[j]
			if rating, ok := ratingOf(t); ok && loadSound(t.Load) {
				visit(rated{t, &series[k], rating})
			}
		}
	}
}

func size(e record.Effort) record.Effort { return max(e, -e) }
