package scenario

import (
	"slices"
	"strconv"
	"strings"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// load is a mass in thousandths of the clinic's unit.
type load int64

// loads is how a clinic's loads are made up, in thousandths of its unit.
type loads struct {
	unit ponderalv1.Unit
	// perPound turns the model's pounds into this unit, in thousandths.
	perPound float64
	tote     load
	inserts  []load
	each     int
	start    load
	// coarse, middle and fine are the increments as the effort rating climbs.
	coarse, middle, fine load
	ceiling              load
}

// The inserts of 2.5, 5, 10 and 15 lb and the 10 lb steps are common practice, no source; so are those in kilograms.
var (
	pounds = loads{unit: ponderalv1.Unit_UNIT_LB, perPound: 1000, tote: 5000, inserts: []load{15000, 10000, 5000, 2500}, each: 4,
		start: 10000, coarse: 10000, middle: 5000, fine: 2500, ceiling: 100000}
	kilograms = loads{unit: ponderalv1.Unit_UNIT_KG, perPound: 453.59237, tote: 2500, inserts: []load{10000, 5000, 2500, 1250}, each: 4,
		start: 5000, coarse: 5000, middle: 2500, fine: 1250, ceiling: 45000}
)

// light is for the tests that begin with less and climb in smaller steps.
func (l loads) light() loads {
	l.start, l.coarse, l.middle = l.tote+l.fine, l.middle, l.fine
	return l
}

// mass spells a load exactly.
func (l loads) mass(v load) *ponderalv1.Mass {
	text := strconv.FormatInt(int64(v/1000), 10)
	if rest := v % 1000; rest != 0 {
		digits := strconv.FormatInt(int64(rest)+1000, 10)[1:]
		text += "." + strings.TrimRight(digits, "0")
	}
	return &ponderalv1.Mass{Value: text, Unit: l.unit}
}

// rounded gives the nearest multiple of the finest increment to so many pounds.
func (l loads) rounded(inPounds float64) load {
	steps := int64(inPounds*l.perPound/float64(l.fine) + 0.5)
	return load(steps) * l.fine
}

// codeLetters leaves out what is easily misread.
const codeLetters = "ABCDEFGHJKLMNPQRSTUVWXYZ"

// kit makes a tote and inserts whose codes say nothing of the mass.
func (m *maker) kit(p place) *ponderalv1.Kit {
	verified := m.date.AddDate(0, -2, 0).Format("2006-01-02")
	count := len(p.loads.inserts) * p.loads.each
	codes := m.codes(count + 1)
	k := &ponderalv1.Kit{Id: m.id(), Name: "Kit " + p.tag + "-1",
		Tote: &ponderalv1.Piece{Code: codes[0], Mass: p.loads.mass(p.loads.tote), VerifiedOn: verified}}
	for i, v := range p.loads.inserts {
		for j := range p.loads.each {
			k.Inserts = append(k.Inserts,
				&ponderalv1.Piece{Code: codes[1+i*p.loads.each+j], Mass: p.loads.mass(v), VerifiedOn: verified})
		}
	}
	return k
}

func (m *maker) codes(n int) []string {
	seen := map[string]bool{}
	var codes []string
	for len(codes) < n {
		code := string([]byte{codeLetters[m.rng.IntN(len(codeLetters))], byte('2' + m.rng.IntN(8)), codeLetters[m.rng.IntN(len(codeLetters))]})
		if !seen[code] {
			seen[code] = true
			codes = append(codes, code)
		}
	}
	return codes
}

// recipe picks inserts that make the load with the tote; the codes are in order, so that they do not give the masses away. It is nil when
// no set does.
func (m *maker) recipe(k *ponderalv1.Kit, l loads, want load) []string {
	place := m.rng.Perm(len(k.GetInserts()))
	masses := make([]load, len(place))
	for i, p := range place {
		masses[i] = l.inserts[p/l.each]
	}
	var picked []string
	var fill func(from int, left load) bool
	fill = func(from int, left load) bool {
		if left == 0 {
			return true
		}
		for i := from; i < len(place); i++ {
			if masses[i] > left {
				continue
			}
			picked = append(picked, k.Inserts[place[i]].Code)
			if fill(i+1, left-masses[i]) {
				return true
			}
			picked = picked[:len(picked)-1]
		}
		return false
	}
	if want < l.tote || !fill(0, want-l.tote) {
		return nil
	}
	slices.Sort(picked)
	return picked
}
