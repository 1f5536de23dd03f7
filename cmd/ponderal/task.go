package main

import (
	"context"
	"encoding/json"
	"io"
	"slices"
	"strings"

	"ponderal.example/internal/rpc"
)

func taskCommand() command {
	return command{
		name:      "task",
		arguments: "FILE",
		about:     "Rate tasks and check single figures at a desk: lifting equation, percentile, body and more.",
		detail: `FILE is one of the API's own requests as JSON; "-" reads standard input. -kind says which one; without it the members of the
file tell, and where they do not it is lifting.

  lifting      AnalyzeLiftingRequest: the revised NIOSH lifting equation, one or several tasks
  percentile   GetPopulationPercentileRequest: the share of workers who accept a lift, push, pull or carry
  body         GetBodyLimitsRequest: station heights, and load ceilings by body mass and compression at L5/S1
  strength     ClassifyStrengthRequest: strength levels of capacities and tasks, and the comparison
  agreement    AnalyzeAgreementRequest: how far raters or repeated measurements agree
  hands        AnalyzeHandsRequest: grip and pinch strength, norms, variation
  heart-rate   GetHeartRateLimitsRequest: predicted maxima by each formula, and a limit
  aerobic      EstimateAerobicDemandRequest: the share of the heart-rate reserve that work takes
  consistency  AssessConsistencyRequest: how measurements hang together; no verdict on a person
  recipes      FindRecipesRequest: which inserts of a kit make a load

Nothing is stored, and no answer is a clearance to work: all of it supports a licensed clinician's judgement and does not
replace it. What a computation does not cover is said or refused; what is wrong is named by field and rule. Exit status 0
when there is an answer, 1 when not.`,
		examples: []string{
			"ponderal task testdata/examples/lifting.json", "ponderal task testdata/examples/percentile.json",
			"ponderal task -kind strength -json - < strength.json",
		},
		run: runTask,
	}
}

// taskKind is one request that the command reads. Members are those, by the names of the contract's JSON, that no kind before it has.
type taskKind struct {
	name    string
	members []string
	answer  func(*rpc.Desk, []byte) (page, []byte, error)
}

// page writes an answer for people.
type page func(io.Writer)

// taskKinds are in the order in which their members are looked for.
func taskKinds() []taskKind {
	return []taskKind{
		{"lifting", []string{"form", "duration", "day"}, paged((*rpc.Desk).AnalyzeLifting, writeLifted)},
		{"percentile", []string{"task", "designPercent"}, paged((*rpc.Desk).GetPopulationPercentile, writePercentile)},
		{"recipes", []string{"kit", "target", "used"}, paged((*rpc.Desk).FindRecipes, writeRecipes)},
		{"consistency", []string{"series", "capacityError", "rateLimitingDrug"}, paged((*rpc.Desk).AssessConsistency, writeConsistent)},
		{"hands", []string{"handSeries"}, paged((*rpc.Desk).AnalyzeHands, writeHands)},
		{"body", []string{"stature", "bodyMass", "percentOfBodyMass"}, paged((*rpc.Desk).GetBodyLimits, writeBody)},
		{"strength", []string{"capacities", "projected"}, paged((*rpc.Desk).ClassifyStrength, writeStrength)},
		{"agreement", []string{"rows", "raterNames"}, paged((*rpc.Desk).AnalyzeAgreement, writeAgreement)},
		{"aerobic", []string{"steadyHeartRateBpm"}, paged((*rpc.Desk).EstimateAerobicDemand, writeAerobicDemand)},
		{"heart-rate", []string{"ageYears", "limit"}, paged((*rpc.Desk).GetHeartRateLimits, writeHeartRates)},
	}
}

func paged[T any](answer func(*rpc.Desk, []byte) (T, []byte, error), write func(io.Writer, T)) func(*rpc.Desk, []byte) (page, []byte, error) {
	return func(d *rpc.Desk, text []byte) (page, []byte, error) {
		got, line, err := answer(d, text)
		return func(out io.Writer) { write(out, got) }, line, err
	}
}

func runTask(_ context.Context, w world, f *flags) error {
	kind := f.String("kind", "", "which `request` the file is, by one of the names above")
	return runDesk(w, f, func(d *rpc.Desk, text []byte) (page, []byte, error) {
		k, err := chooseKind(*kind, text)
		if err != nil {
			return nil, nil, err
		}
		return k.answer(d, text)
	}, func(out io.Writer, write page) { write(out) })
}

// chooseKind is the kind by name, or else by the members of the file; a file that tells nothing is read as lifting.
func chooseKind(name string, text []byte) (taskKind, error) {
	kinds := taskKinds()
	if name != "" {
		if i := slices.IndexFunc(kinds, func(k taskKind) bool { return k.name == name }); i >= 0 {
			return kinds[i], nil
		}
		var names []string
		for _, k := range kinds {
			names = append(names, k.name)
		}
		return taskKind{}, usagef("there is no kind %q%s", name, nearest(name, names))
	}
	var members map[string]json.RawMessage
	if json.Unmarshal(text, &members) != nil {
		return kinds[0], nil
	}
	for _, k := range kinds {
		for _, m := range k.members {
			if _, has := members[m]; has {
				return k, nil
			}
			if _, has := members[snake(m)]; has {
				return k, nil
			}
		}
	}
	return kinds[0], nil
}

// snake is the other spelling of a member that the contract's JSON allows: handSeries is hand_series.
func snake(member string) string {
	var b strings.Builder
	for _, c := range member {
		if c >= 'A' && c <= 'Z' {
			b.WriteByte('_')
			c += 'a' - 'A'
		}
		b.WriteRune(c)
	}
	return b.String()
}

// title begins a page.
func title(out io.Writer, text string) { paragraph(out, "", text+". Nothing was stored.") }
