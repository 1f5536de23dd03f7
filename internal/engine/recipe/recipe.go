// Package recipe finds which inserts of a kit, with its tote, make a load. A recipe is a set of insert codes: people who are blinded
// to the load see the codes, never the mass.
//
// The search is exact. Inserts of equal mass form one group, so that a recipe is how many of each group are used; the groups are halved, the
// sums of each half are kept in order, and the two halves meet at the target. Each half holds at most 2^20 sums. That covers every
// kit of up to 40 inserts, whatever their masses, and larger kits whose inserts share masses. Where a half would
// hold more, sums that are the same with the same count are kept once: whether the load can be made, and the nearest loads, stay exact,
// and the answer says that its list is cut. Where even that is too much, the lightest groups are left out and the answer says that it
// is partial: what it lists is right, but there may be more and closer recipes.
//
// The package is pure: no clock, randomness, input or output. Masses are whole numbers.
package recipe

import (
	"strconv"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// The rules that an input can break.
const (
	// RuleCount: a kit has at most 60 inserts, and an answer lists 1 to 100 recipes.
	RuleCount = "recipe.count"
	// RuleMass: a mass of a piece, a target and a load is above zero and at most 1000 kg.
	RuleMass = "recipe.mass"
	// RuleTolerance: a tolerance is 0 to 1000 kg.
	RuleTolerance = "recipe.tolerance"
	// RuleCode: a code names an insert of the kit, and occurs once.
	RuleCode = "recipe.code"
	// RuleNothingWithin: the kit makes a load within the tolerance.
	RuleNothingWithin = "recipe.within_tolerance"
	// RuleAlternative: the kit makes the load with another number of inserts.
	RuleAlternative = "recipe.alternative"
	// RuleDate: a date is a day of the calendar, YYYY-MM-DD.
	RuleDate = "recipe.date"
	// RulePolicy: the age of a calibration is limited to 1 to 36,500 days, with the action warn or block.
	RulePolicy = "recipe.policy"
)

const (
	// MaxInserts is the largest kit that is searched.
	MaxInserts = 60
	// MaxListed is how many recipes an answer lists at most.
	MaxListed = 100

	maxUnits = 1000 * 100_000_000_000 // 1000 kg
)

// Recipe is a set of inserts that with the tote makes a load.
type Recipe struct {
	// Codes of the inserts, heaviest first, by code among equal masses; empty for the tote alone.
	Codes []string
	// Load is the mass of the tote and the inserts.
	Load mass.Mass
	// Off is the load less the target: negative when the load is lighter.
	Off mass.Mass
}

// Answer is what a search found.
type Answer struct {
	// Recipes within the tolerance (its bounds included): closest to the target first, then fewest inserts, then lighter loads, then
	// those with more of the heavier inserts. Inserts of equal mass stand for each other: of such sets one is listed.
	Recipes []Recipe
	// Cut says that there are more recipes within the tolerance than are listed.
	Cut bool
	// Below and Above are the nearest loads that the kit makes: not above and not below the target. Nil where there is none.
	Below, Above *mass.Mass
	// Partial says that the kit was too large to be searched whole.
	Partial bool
}

// Search lists up to `most` recipes for a target load. Where the kit makes nothing within the tolerance the error is of kind Invalid with
// RuleNothingWithin and names the nearest loads, which the answer holds too.
func Search(kit record.Kit, target, tolerance mass.Mass, most int) (Answer, error) {
	v := checkSearch(kit, target, tolerance)
	if most < 1 || most > MaxListed {
		v.add("most", RuleCount, "an answer lists 1 to 100 recipes")
	}
	if err := fault.InvalidFields(v); err != nil {
		return Answer{}, err
	}
	g := groupsOf(kit.Inserts, nil)
	halves := split(g)
	rest := target.Sub(kit.Tote.Mass).Units()
	m := newMeeting(halves, rest)
	a := Answer{Partial: halves.partial}
	a.Below, a.Above = m.nearest(kit.Tote.Mass)
	found, more := m.closest(tolerance.Units(), most)
	a.Cut = more || halves.merged && len(found) > 0
	for _, p := range found {
		a.Recipes = append(a.Recipes, halves.recipe(p, kit.Tote.Mass, target))
	}
	if len(found) == 0 {
		v.add("target", RuleNothingWithin, "the kit makes no load within the tolerance; "+nearestText(a))
	}
	return a, fault.InvalidFields(v)
}

// Alternative is another recipe for a load.
type Alternative struct {
	Recipe
	// Shared is how many codes it shares with the recipe that was used.
	Shared int
	// Partial says that the kit was too large to be searched whole.
	Partial bool
}

// Other chooses for a blinded retest the recipe that looks different from the inserts used: another number of inserts, of those the
// closest to the load used, of those the fewest codes in common, then the fewest inserts. Where none is within the tolerance the
// error is of kind Invalid with RuleAlternative. The choice is exact within the same bounds as Search.
func Other(kit record.Kit, used []string, tolerance mass.Mass) (Alternative, error) {
	target, v := loadOf(kit, used)
	if len(v) == 0 {
		v = checkSearch(kit, target, tolerance)
	}
	if err := fault.InvalidFields(v); err != nil {
		return Alternative{}, err
	}
	g := groupsOf(kit.Inserts, used)
	halves := split(g)
	c := choiceFor(target.Sub(kit.Tote.Mass).Units(), -tolerance.Units(), tolerance.Units())
	c.different(halves, len(used))
	if !c.ok {
		v.add("used", RuleAlternative, "the kit makes no load within the tolerance of this one with another number of inserts")
		return Alternative{Partial: halves.partial}, fault.InvalidFields(v)
	}
	return Alternative{Recipe: halves.recipe(c.best, kit.Tote.Mass, target), Shared: c.best.shared(), Partial: halves.partial}, nil
}

// Load is the mass of the tote with the inserts of those codes; an unknown or repeated code is an error.
func Load(kit record.Kit, codes []string) (mass.Mass, error) {
	sum, v := loadOf(kit, codes)
	return sum, fault.InvalidFields(v)
}

func loadOf(kit record.Kit, codes []string) (mass.Mass, violations) {
	v := checkPieces(kit)
	if len(v) > 0 {
		return mass.Zero(), v
	}
	sum := kit.Tote.Mass
	seen := make(map[string]bool, len(codes))
	for i, code := range codes {
		piece := insertOf(kit, code)
		if piece == nil || seen[code] {
			v.add("used["+strconv.Itoa(i)+"]", RuleCode, "each code names an insert of the kit and occurs once")
			continue
		}
		seen[code] = true
		sum = sum.Add(piece.Mass)
	}
	return sum, v
}

func insertOf(kit record.Kit, code string) *record.Piece {
	for i := range kit.Inserts {
		if kit.Inserts[i].Code == code {
			return &kit.Inserts[i]
		}
	}
	return nil
}

func nearestText(a Answer) string {
	switch {
	case a.Below == nil && a.Above == nil:
		return "it makes none at all"
	case a.Below == nil:
		return "the nearest is " + a.Above.String() + " above"
	case a.Above == nil:
		return "the nearest is " + a.Below.String() + " below"
	}
	return "the nearest are " + a.Below.String() + " below and " + a.Above.String() + " above"
}

// violations collects broken rules.
type violations []fault.Violation

func (v *violations) add(field, rule, text string) {
	*v = append(*v, fault.Violation{Field: field, Rule: rule, Text: text})
}

func checkPieces(kit record.Kit) violations {
	if len(kit.Inserts) > MaxInserts {
		return violations{{Field: "kit.inserts", Rule: RuleCount, Text: "a kit has at most 60 inserts"}}
	}
	v := violations(record.CheckKit(kit, "kit"))
	piece := func(p record.Piece, field string) {
		if units := p.Mass.Units(); units < 0 || units > maxUnits {
			v.add(field, RuleMass, "a mass is above zero and at most 1000 kg")
		}
	}
	piece(kit.Tote, "kit.tote.mass")
	for i := range kit.Inserts {
		piece(kit.Inserts[i], "kit.inserts["+strconv.Itoa(i)+"].mass")
	}
	return v
}

func checkSearch(kit record.Kit, target, tolerance mass.Mass) violations {
	v := checkPieces(kit)
	if units := target.Units(); units <= 0 || units > maxUnits {
		v.add("target", RuleMass, "a load is above zero and at most 1000 kg")
	}
	if units := tolerance.Units(); units < 0 || units > maxUnits {
		v.add("tolerance", RuleTolerance, "a tolerance is 0 to 1000 kg")
	}
	return v
}
