package grip

import (
	"sort"

	"ponderal.example/internal/engine/measure"
	"ponderal.example/internal/engine/stats/portable"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Set names published norms.
type Set string

// The sets.
const (
	// US1985: by hand, from 20 years (Mathiowetz et al. 1985, recorded as facts).
	US1985 Set = "us_1985"
	// Germany2016: 17 to 90 years (Steiber 2016, CC BY).
	Germany2016 Set = "germany_2016"
	// Germany2016ByHeight: the same by stature.
	Germany2016ByHeight Set = "germany_2016_by_height"
	// International2025: percentiles from 20 years (Tomkinson et al. 2025, CC BY).
	International2025 Set = "international_2025"
	// Britain2014Men: percentiles of men from 15 to 90 years (Dodds et al. 2014, CC BY).
	Britain2014Men Set = "britain_2014_men"
)

// Sets returns every set.
func Sets() []Set {
	return []Set{US1985, Germany2016, Germany2016ByHeight, International2025, Britain2014Men}
}

// Hand is the hand tested.
type Hand string

// The hands; empty where the norms do not part them.
const (
	Right Hand = "right"
	Left  Hand = "left"
)

// normRow are the norms of one band: mean and deviation, or percentiles. An upper bound of 0 is open.
type normRow struct {
	sex              record.Sex
	hand             Hand
	from, to         int
	tallFrom, tallTo int
	mean, sd         float64
	at               []float64
}

// norms is a set with its form.
type norms struct {
	set      Set
	rows     []normRow
	percents []float64
	pounds   bool
	source   string
}

func normsOf(set Set) (norms, bool) {
	switch set {
	case US1985:
		return norms{set, us1985, nil, true, "Mathiowetz et al., Arch Phys Med Rehabil 1985;66(2):69-74"}, true
	case Germany2016:
		return norms{set, germany2016, nil, false, "Steiber, PLoS ONE 2016;11(10):e0163917, table S3 (CC BY)"}, true
	case Germany2016ByHeight:
		return norms{set, germany2016ByHeight, nil, false, "Steiber, PLoS ONE 2016;11(10):e0163917, tables 1 and 2 (CC BY)"}, true
	case International2025:
		return norms{set, international2025, percents2025, false, "Tomkinson et al., J Sport Health Sci 2025;14:101014, table 2 (CC BY)"}, true
	case Britain2014Men:
		return norms{set, britain2014Men, percents2014, false, "Dodds et al., PLoS ONE 2014;9(12):e113637, table 2 (CC BY)"}, true
	}
	return norms{}, false
}

// Person is who was tested.
type Person struct {
	Sex record.Sex
	// Age in completed years.
	Age int
	// Hand is needed by norms that part the hands, Stature by those that go by it; the others do not look at them.
	Hand    Hand
	Stature measure.Length
}

// Bound says on which side of the printed percentiles a reading lies.
type Bound string

// The bounds; empty within the printed percentiles.
const (
	BelowPrinted Bound = "below"
	AbovePrinted Bound = "above"
)

// Standing is where a reading stands in a population.
type Standing struct {
	Set    Set
	Source string
	// Percentile is the share of the population below, in percent. From mean and deviation it takes a normal distribution;
	// between printed percentiles it is interpolated in a straight line. Beyond the printed ones it is the outermost, and Bound says so.
	Percentile float64
	Bound      Bound
	// Z is how many standard deviations above the mean, MeanKg and SDKg those of the population; only with HasZ.
	Z, MeanKg, SDKg float64
	HasZ            bool
	// FromAge to ToAge is the band in years; ToAge 0 is open.
	FromAge, ToAge int
}

// Norm places a reading among published norms. A population's norm is no measure of effort or of fitness for a job. An age or a stature
// that the norms do not have is refused, never taken for the nearest.
func Norm(set Set, p Person, reading mass.Mass) (Standing, error) {
	n, known := normsOf(set)
	var v violations
	if !known {
		v.add("set", RuleUnknown, "the set of norms is not one of those listed")
	}
	v.reading("reading", reading)
	v.person(n, p)
	if err := fault.InvalidFields(v); err != nil {
		return Standing{}, err
	}
	row, ok := n.row(p, &v)
	if !ok {
		return Standing{}, fault.InvalidFields(v)
	}
	s := Standing{Set: set, Source: n.source, FromAge: row.from, ToAge: row.to}
	x := n.value(reading)
	if n.percents != nil {
		s.Percentile, s.Bound = interpolate(x, row.at, n.percents)
		return s, nil
	}
	s.HasZ = true
	s.Z = (x - row.mean) / row.sd
	s.Percentile = float64(100 * portable.NormalCDF(s.Z))
	s.MeanKg, s.SDKg = n.kilograms(row.mean), n.kilograms(row.sd)
	return s, nil
}

const unitsPerPound = 45_359_237_000

// value is the reading in the unit of the norms.
func (n norms) value(reading mass.Mass) float64 {
	if n.pounds {
		return float64(float64(reading.Units()) / unitsPerPound)
	}
	return kilograms(reading)
}

func (n norms) kilograms(x float64) float64 {
	if n.pounds {
		return float64(x * 0.45359237)
	}
	return x
}

func (v *violations) person(n norms, p Person) {
	if p.Sex != record.Female && p.Sex != record.Male {
		v.add("person.sex", RuleUnknown, "published norms know female and male")
	}
	if n.set == US1985 && p.Hand != Right && p.Hand != Left {
		v.add("person.hand", RuleHand, "these norms need the hand, right or left")
	}
	if n.set == Britain2014Men && p.Sex == record.Female {
		v.add("person.sex", RuleUnknown, "these norms are of men only")
	}
}

// row finds the band of a person, or says what the norms lack.
func (n norms) row(p Person, v *violations) (normRow, bool) {
	if n.set == Britain2014Men {
		return n.between(p, v)
	}
	aged := false
	for i := range n.rows {
		r := &n.rows[i]
		if r.sex != p.Sex || r.hand != "" && r.hand != p.Hand || !within(p.Age, r.from, r.to) {
			continue
		}
		aged = true
		if n.set != Germany2016ByHeight || within(wholeCentimetres(p.Stature), r.tallFrom, r.tallTo) {
			return *r, true
		}
	}
	if aged {
		v.add("person.stature", RuleStature, "these norms do not have this stature at this age")
	} else {
		v.add("person.age", RuleAge, "these norms do not have this age")
	}
	return normRow{}, false
}

// openEnd is where an open band ends: years or centimetres that are not believed.
const openEnd = 300

func within(x, from, to int) bool { return x >= from && (x <= to || to == 0 && x <= openEnd) }

// wholeCentimetres leaves the part of a centimetre off, as bands such as 170-174 are read.
func wholeCentimetres(l measure.Length) int {
	if l <= 0 || l > 3*measure.PerMetre {
		return -1
	}
	return int(l / measure.PerCentimetre)
}

// between interpolates the percentiles of exact ages in a straight line.
func (n norms) between(p Person, v *violations) (normRow, bool) {
	i := sort.Search(len(n.rows), func(i int) bool { return n.rows[i].from >= p.Age })
	if i == len(n.rows) || i == 0 && n.rows[0].from != p.Age {
		v.add("person.age", RuleAge, "these norms do not have this age")
		return normRow{}, false
	}
	high := n.rows[i]
	if high.from == p.Age {
		return high, true
	}
	low := n.rows[i-1]
	share := float64(p.Age-low.from) / float64(high.from-low.from)
	out := normRow{sex: p.Sex, from: low.from, to: high.from, at: make([]float64, len(low.at))}
	for j := range out.at {
		out.at[j] = low.at[j] + float64(share*(high.at[j]-low.at[j]))
	}
	return out, true
}

func interpolate(x float64, at, percents []float64) (float64, Bound) {
	last := len(at) - 1
	switch {
	case x < at[0]:
		return percents[0], BelowPrinted
	case x > at[last]:
		return percents[last], AbovePrinted
	}
	i := min(max(sort.SearchFloat64s(at, x), 1), last)
	share := (x - at[i-1]) / (at[i] - at[i-1])
	return percents[i-1] + float64(share*(percents[i]-percents[i-1])), ""
}
