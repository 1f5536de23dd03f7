package consistency

import (
	"math"
	"math/bits"
	"strconv"
)

// maxDecimals is up to how many decimals the quick way goes: 2^53·10^9 is below 2^128 by far, and 10^9 is a whole uint64.
const maxDecimals = 9

// AppendDecimal appends v with so many decimals (0 to 9, clamped): the exact value of the float rounded once, exact halves to the even digit, as
// strconv.FormatFloat(v, 'f', decimals, 64) has it, except that what rounds to zero has no sign. It works in whole numbers.
func AppendDecimal(b []byte, v float64, decimals int) []byte {
	decimals = min(max(decimals, 0), maxDecimals)
	scaled, ok := scale(math.Abs(v), pow10(decimals))
	if !ok {
		return strconv.AppendFloat(b, v, 'f', decimals, 64)
	}
	if v < 0 && scaled > 0 {
		b = append(b, '-')
	}
	var digits [20]byte
	at := len(digits)
	for n := 0; n <= decimals || scaled > 0; n++ {
		if n == decimals && n > 0 {
			at--
			digits[at] = '.'
		}
		at--
		digits[at] = byte('0' + scaled%10)
		scaled /= 10
	}
	return append(b, digits[at:]...)
}

// decimal is AppendDecimal as a string.
func decimal(v float64, decimals int) string {
	var room [32]byte
	return string(AppendDecimal(room[:0], v, decimals))
}

func pow10(n int) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

// scale is v times a factor, rounded half to even; ok is false beyond what is done here: 1e9 and above, and what is not a number.
func scale(v float64, factor uint64) (n uint64, ok bool) {
	if !(v < 1e9) {
		return 0, false
	}
	raw := math.Float64bits(v)
	exponent, mantissa := int(raw>>52), raw&(1<<52-1)
	if exponent == 0 {
		return 0, true // below 1e-307
	}
	// v is mantissa/2^shift. Below 1e9 the shift is at least 23.
	mantissa |= 1 << 52
	shift := 1075 - exponent
	hi, lo := bits.Mul64(mantissa, factor)
	if shift >= 128 {
		return 0, true // the product is below 2^83, so less than a half
	}
	return shiftRound(hi, lo, shift), true
}

// shiftRound divides by 2^shift, 1 to 127, and rounds half to even. The quotient is below 2^63.
func shiftRound(hi, lo uint64, shift int) uint64 {
	var n, rest, low, half uint64
	if shift < 64 {
		n, rest, half = hi<<(64-shift)|lo>>shift, lo<<(64-shift), 1<<63
	} else if shift == 64 {
		n, rest, half = hi, lo, 1<<63
	} else {
		n, rest, low, half = hi>>(shift-64), hi<<(128-shift), lo, 1<<63
	}
	if rest > half || rest == half && (low > 0 || n&1 == 1) {
		n++
	}
	return n
}
