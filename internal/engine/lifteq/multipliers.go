package lifteq

import (
	"ponderal.example/internal/engine/measure"
)

// form holds the constants of one form of the equation (manual pp. 1, 6-18).
type form struct {
	loadConstant int64 // in the unit of weight
	unit         int64 // the unit of weight in 1e-11 kg
	// reach is the numerator of HM and the least H that counts; farthest the greatest.
	reach, farthest measure.Length
	// split is the height of the hands at which VM is 1 and the columns of FM and CM divide; highest the greatest.
	split, highest measure.Length
	// slope is the fall of VM in 1/10000 per unit of length.
	slope  int64
	length measure.Length
	// travel is the least D that counts; rise the numerator in DM, in tenths of the unit of length.
	travel, longest measure.Length
	rise            int64
}

const (
	pound    = 45_359_237_000
	kilogram = 100_000_000_000
)

func formOf(s System) form {
	if s == US {
		return form{
			loadConstant: 51, unit: pound, reach: 10 * measure.PerInch, farthest: 25 * measure.PerInch,
			split: 30 * measure.PerInch, highest: 70 * measure.PerInch, slope: 75, length: measure.PerInch,
			travel: 10 * measure.PerInch, longest: 70 * measure.PerInch, rise: 18,
		}
	}
	return form{
		loadConstant: 23, unit: kilogram, reach: 25 * measure.PerCentimetre, farthest: 63 * measure.PerCentimetre,
		split: 75 * measure.PerCentimetre, highest: 175 * measure.PerCentimetre, slope: 30, length: measure.PerCentimetre,
		travel: 25 * measure.PerCentimetre, longest: 175 * measure.PerCentimetre, rise: 45,
	}
}

// quotient makes a multiplier from whole numbers; both are below 2^53, so the value is the nearest float64 to the exact quotient.
func quotient(num, den int64) Multiplier {
	return Multiplier{Value: float64(num) / float64(den), Hundredths: int(halfUp(100*num, den))}
}

// horizontal is HM = 10/H or 25/H: 1 below the reach, 0 beyond the farthest.
func (f form) horizontal(h measure.Length) Multiplier {
	if h > f.farthest {
		return Multiplier{}
	}
	return quotient(int64(f.reach), int64(max(h, f.reach)))
}

// vertical is VM = 1 - 0.0075 |V - 30| or 1 - 0.003 |V - 75|: 0 above the highest.
func (f form) vertical(v measure.Length) Multiplier {
	if v > f.highest {
		return Multiplier{}
	}
	whole := 10_000 * int64(f.length)
	return quotient(whole-f.slope*int64(max(v-f.split, f.split-v)), whole)
}

// distance is DM = 0.82 + 1.8/D or 0.82 + 4.5/D: 1 below the least travel, 0 beyond the longest.
func (f form) distance(d measure.Length) Multiplier {
	if d > f.longest {
		return Multiplier{}
	}
	d = max(d, f.travel)
	return quotient(82*int64(d)+10*f.rise*int64(f.length), 100*int64(d))
}

// asymmetryMultiplier is AM = 1 - 0.0032 A: 0 above 135 degrees.
func asymmetryMultiplier(a Angle) Multiplier {
	if a > 135*Degree {
		return Multiplier{}
	}
	return quotient(10_000_000-32*int64(a), 10_000_000)
}

// couplingMultiplier is CM (manual table 7).
func couplingMultiplier(c Coupling, high bool) Multiplier {
	switch {
	case c == Good || c == Fair && high:
		return quotient(1, 1)
	case c == Fair:
		return quotient(95, 100)
	}
	return quotient(90, 100)
}

// frequencyRow is one row of the manual's table 5: FM in hundredths for short, moderate and long, each below and from the split height.
type frequencyRow struct {
	rate measure.Rate
	fm   [6]int64
}

// frequencyRows is the manual's table 5 (p. 15).
func frequencyRows() [17]frequencyRow {
	const perMinute = measure.PerMinute
	return [17]frequencyRow{
		{perMinute / 5, [6]int64{100, 100, 95, 95, 85, 85}},
		{perMinute / 2, [6]int64{97, 97, 92, 92, 81, 81}},
		{1 * perMinute, [6]int64{94, 94, 88, 88, 75, 75}},
		{2 * perMinute, [6]int64{91, 91, 84, 84, 65, 65}},
		{3 * perMinute, [6]int64{88, 88, 79, 79, 55, 55}},
		{4 * perMinute, [6]int64{84, 84, 72, 72, 45, 45}},
		{5 * perMinute, [6]int64{80, 80, 60, 60, 35, 35}},
		{6 * perMinute, [6]int64{75, 75, 50, 50, 27, 27}},
		{7 * perMinute, [6]int64{70, 70, 42, 42, 22, 22}},
		{8 * perMinute, [6]int64{60, 60, 35, 35, 18, 18}},
		{9 * perMinute, [6]int64{52, 52, 30, 30, 0, 15}},
		{10 * perMinute, [6]int64{45, 45, 26, 26, 0, 13}},
		{11 * perMinute, [6]int64{41, 41, 0, 23, 0, 0}},
		{12 * perMinute, [6]int64{37, 37, 0, 21, 0, 0}},
		{13 * perMinute, [6]int64{0, 34, 0, 0, 0, 0}},
		{14 * perMinute, [6]int64{0, 31, 0, 0, 0, 0}},
		{15 * perMinute, [6]int64{0, 28, 0, 0, 0, 0}},
	}
}

// column is where a duration and height stand in frequencyRow.
func column(d Duration, high bool) int {
	c := 0
	switch d {
	case Moderate:
		c = 2
	case Long:
		c = 4
	}
	if high {
		c++
	}
	return c
}

// frequencyMultiplier is FM: below 0.2 a minute as at 0.2; between rows linear (manual p. 7); above the last row of the column that
// has a value, 0. So between the last value and the row that says 0 it is 0 too, never a share of the last value.
func frequencyMultiplier(d Duration, high bool, rate measure.Rate) Multiplier {
	rows, c := frequencyRows(), column(d, high)
	if rate <= rows[0].rate {
		return quotient(rows[0].fm[c], 100)
	}
	for i := 1; i < len(rows); i++ {
		low, up := rows[i-1], rows[i]
		switch {
		case rate > up.rate:
			continue
		case up.fm[c] == 0:
			return Multiplier{}
		}
		span := int64(up.rate - low.rate)
		return quotient(low.fm[c]*span-(low.fm[c]-up.fm[c])*int64(rate-low.rate), 100*span)
	}
	return Multiplier{}
}
