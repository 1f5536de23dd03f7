package deskwork

import (
	"errors"
	"strings"

	"ponderal.example/internal/engine/recipe"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// RecipeQuestion asks how a kit makes a load: the target, or where it is nil the load of the inserts used, another way. Tolerance zero
// asks for the load exactly. Most is 0 for the usual number. Day is empty where no calibration is asked about.
type RecipeQuestion struct {
	Kit        record.Kit
	Target     *mass.Mass
	Used       []string
	Tolerance  mass.Mass
	Most       int
	Day        string
	MaxAgeDays int
}

// usualMost is how many recipes are listed where nothing is asked for.
const usualMost = 10

// FoundRecipe is a recipe; Shared counts the codes that it shares with the inserts used.
type FoundRecipe struct {
	Recipe
	Shared int
}

// Recipes is the answer; no recipe where the kit makes nothing within the tolerance.
type Recipes struct {
	Found        []FoundRecipe
	Cut, Partial bool
	Below, Above *mass.Mass
	Lapses       []Lapse
	Cautions     []record.Remark
}

// FindRecipes searches the kit. That the kit cannot make the load is an answer, not an error.
func FindRecipes(q RecipeQuestion) (Recipes, error) {
	out := Recipes{Cautions: []record.Remark{judgement()}}
	var err error
	if q.Target != nil {
		err = out.search(q)
	} else {
		err = out.other(q)
	}
	if err != nil {
		return Recipes{}, renamed(err, recipePath)
	}
	if q.Day == "" {
		return out, nil
	}
	c, err := recipe.CheckCalibration(q.Kit, nil, q.Day, recipe.Policy{MaxAgeDays: q.MaxAgeDays, Action: recipe.Warn})
	if err != nil {
		return Recipes{}, renamed(err, recipePath)
	}
	if out.Lapses = c.Lapses; len(c.Lapses) > 0 {
		out.tell("calibration_lapsed", "Weigh again before use: "+c.Text()+".")
	}
	return out, nil
}

func (out *Recipes) tell(code, text string) {
	out.Cautions = append(out.Cautions, record.Remark{Code: code, Text: text})
}

func (out *Recipes) search(q RecipeQuestion) error {
	if q.Most == 0 {
		q.Most = usualMost
	}
	a, err := recipe.Search(q.Kit, *q.Target, q.Tolerance, q.Most)
	if err != nil && !onlyRule(err, recipe.RuleNothingWithin) {
		return err
	}
	out.Cut, out.Partial, out.Below, out.Above = a.Cut, a.Partial, a.Below, a.Above
	for _, r := range a.Recipes {
		out.Found = append(out.Found, FoundRecipe{Recipe: r})
	}
	if len(out.Found) == 0 {
		out.tell("nothing_within_tolerance", "The kit makes no load within the tolerance; the nearest that it makes are named.")
	}
	return nil
}

func (out *Recipes) other(q RecipeQuestion) error {
	a, err := recipe.Other(q.Kit, q.Used, q.Tolerance)
	out.Partial = a.Partial
	switch {
	case onlyRule(err, recipe.RuleAlternative):
		out.tell("no_alternative", "The kit makes no load within the tolerance of this one with another number of inserts.")
		return nil
	case err != nil:
		return err
	}
	out.Found = []FoundRecipe{{Recipe: a.Recipe, Shared: a.Shared}}
	return nil
}

// onlyRule reports whether an error is of one broken rule, and that one.
func onlyRule(err error, rule string) bool {
	var f *fault.Error
	return errors.As(err, &f) && len(f.Violations) == 1 && f.Violations[0].Rule == rule
}

// recipePath is the contract's path of a field of the engine's input.
func recipePath(field string) string {
	switch {
	case strings.HasPrefix(field, "used["):
		return "used.codes" + strings.TrimPrefix(field, "used")
	case field == "on":
		return "calibration.on"
	case strings.HasPrefix(field, "policy."):
		return "calibration." + strings.TrimPrefix(field, "policy.")
	}
	return field
}
