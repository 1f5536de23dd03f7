package canon

import (
	"bytes"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/gowebpki/jcs"
)

// exactDigits is how many decimal digits every double holds exactly.
const exactDigits = 15

// prescan finds what the library would let pass: nesting deeper than MaxDepth
// and integers that a double does not hold. It leaves well-formedness to it.
func prescan(doc []byte) error {
	depth := 0
	for i := 0; i < len(doc); i++ {
		switch c := doc[i]; {
		case c == '"':
			i = skipString(doc, i)
		case c == '[' || c == '{':
			if depth++; depth > MaxDepth {
				return ErrDepth
			}
		case c == ']' || c == '}':
			depth--
		case isDigit(c) || c == '-':
			end := i + 1
			for end < len(doc) && isNumberByte(doc[end]) {
				end++
			}
			if !keepsInteger(string(doc[i:end])) {
				return ErrInexact
			}
			i = end - 1
		}
	}
	return nil
}

// skipString returns the index of the quote that ends the string begun at i,
// or the last index of the document.
func skipString(doc []byte, i int) int {
	for i++; i < len(doc); i++ {
		switch doc[i] {
		case '\\':
			i++
		case '"':
			return i
		}
	}
	return len(doc) - 1
}

// keepsInteger reports whether a number of nothing but digits and a sign comes
// out of canonical form as it went in. Other numbers are not its business.
func keepsInteger(token string) bool {
	digits := strings.TrimPrefix(token, "-")
	if len(digits) <= exactDigits || strings.ContainsAny(digits, ".eE") {
		return true
	}
	return isCanonicalNumber(token)
}

// isCanonicalNumber reports whether token is a number in canonical spelling.
func isCanonicalNumber(token string) bool {
	f, err := strconv.ParseFloat(token, 64)
	if err != nil {
		return false
	}
	text, err := jcs.NumberToJSON(f)
	return err == nil && text == token
}

// hasReplacement reports whether doc has the escape \ufffd, which encoding/json
// writes only in the place of bytes that are not UTF-8.
func hasReplacement(doc []byte) bool {
	for i := 0; i < len(doc); i++ {
		if doc[i] != '\\' {
			continue
		}
		if bytes.HasPrefix(doc[i:], []byte(`\ufffd`)) {
			return true
		}
		i++
	}
	return false
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

func isNumberByte(c byte) bool {
	return isDigit(c) || c == '.' || c == 'e' || c == 'E' || c == '+' || c == '-'
}

// isCanonical reports whether doc, standing depth levels deep, is certainly one
// canonical value: the fast way past the library for text that we ourselves
// wrote. False means only that the library must judge.
func isCanonical(doc []byte, depth int) bool {
	if !utf8.Valid(doc) {
		return false
	}
	s := scanner{doc: doc, depth: depth}
	return s.value() && s.pos == len(doc)
}

// scanner walks canonical text. Each method consumes what it accepts and
// returns false at the first byte that is not certainly canonical.
type scanner struct {
	doc   []byte
	pos   int
	depth int
}

func (s *scanner) peek() byte {
	if s.pos < len(s.doc) {
		return s.doc[s.pos]
	}
	return 0
}

func (s *scanner) take(c byte) bool {
	if s.peek() != c {
		return false
	}
	s.pos++
	return true
}

func (s *scanner) value() bool {
	switch c := s.peek(); c {
	case '{':
		return s.nested(s.object)
	case '[':
		return s.nested(s.array)
	case '"':
		_, ok := s.text()
		return ok
	case 't':
		return s.word("true")
	case 'f':
		return s.word("false")
	case 'n':
		return s.word("null")
	}
	return s.number()
}

func (s *scanner) nested(inside func() bool) bool {
	if s.depth++; s.depth > MaxDepth {
		return false
	}
	s.pos++
	ok := inside()
	s.depth--
	return ok
}

func (s *scanner) word(w string) bool {
	if len(s.doc)-s.pos < len(w) || string(s.doc[s.pos:s.pos+len(w)]) != w {
		return false
	}
	s.pos += len(w)
	return true
}

func (s *scanner) array() bool {
	if s.take(']') {
		return true
	}
	for {
		if !s.value() {
			return false
		}
		if !s.take(',') {
			return s.take(']')
		}
	}
}

// object accepts members whose names, free of escapes, rise in UTF-16 order.
func (s *scanner) object() bool {
	if s.take('}') {
		return true
	}
	var last []byte
	for first := true; ; first = false {
		name, ok := s.text()
		if !ok || bytes.IndexByte(name, '\\') >= 0 {
			return false
		}
		if !first && compareUTF16(last, name) >= 0 {
			return false
		}
		last = name
		if !s.take(':') || !s.value() {
			return false
		}
		if !s.take(',') {
			return s.take('}')
		}
	}
}

// text accepts a string with no escape but those the form demands, and returns
// what stands between its quotes.
func (s *scanner) text() ([]byte, bool) {
	if !s.take('"') {
		return nil, false
	}
	start := s.pos
	for s.pos < len(s.doc) {
		switch c := s.doc[s.pos]; {
		case c == '"':
			s.pos++
			return s.doc[start : s.pos-1], true
		case c < 0x20:
			return nil, false
		case c == '\\':
			n := escapeLen(s.doc[s.pos:])
			if n == 0 {
				return nil, false
			}
			s.pos += n
		default:
			s.pos++
		}
	}
	return nil, false
}

// escapeLen is the length of the canonical escape that b begins with, 0 when
// it is none: the two-letter escapes where JSON has one, \u00xx in lower case for
// the other control characters.
func escapeLen(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch b[1] {
	case '"', '\\', 'b', 'f', 'n', 'r', 't':
		return 2
	case 'u':
		if len(b) < 6 {
			return 0
		}
		want := appendEscape(nil, unhex(b[4])<<4|unhex(b[5]))
		if string(want) == string(b[:6]) {
			return 6
		}
	}
	return 0
}

// unhex is the value of a hexadecimal digit; what is none gives a value above
// the control characters or one whose spelling differs, so the caller's
// comparison fails.
func unhex(c byte) byte {
	switch {
	case isDigit(c):
		return c - '0'
	case 'a' <= c && c <= 'f':
		return c - 'a' + 10
	}
	return 0xff
}

func (s *scanner) number() bool {
	start := s.pos
	s.take('-')
	digits := s.pos
	for isDigit(s.peek()) {
		s.pos++
	}
	n := s.pos - digits
	simple := n > 0 && n <= exactDigits && !isNumberByte(s.peek())
	if simple {
		return s.doc[digits] != '0' || n == 1 && digits == start
	}
	for isNumberByte(s.peek()) {
		s.pos++
	}
	return isCanonicalNumber(string(s.doc[start:s.pos]))
}

// compareUTF16 orders two UTF-8 texts by their UTF-16 code units (RFC 8785,
// section 3.2.3). That differs from the order of bytes only where a character
// beyond the basic plane, whose surrogates begin at D800, meets one at E000 or above.
func compareUTF16[T string | []byte](a, b T) int {
	i := 0
	for i < len(a) && i < len(b) && a[i] == b[i] {
		i++
	}
	if i == len(a) || i == len(b) {
		return len(a) - len(b)
	}
	x, y := a[i], b[i]
	// F0-F4 lead four-byte sequences, EE and EF those of E000-FFFF. Where the
	// two texts first differ in a later byte, the lead byte was equal, so the
	// order of bytes is the order of code units.
	if isLead4(x) != isLead4(y) && x >= 0xee && y >= 0xee {
		if isLead4(x) {
			return -1
		}
		return 1
	}
	return int(x) - int(y)
}

func isLead4(c byte) bool { return c >= 0xf0 }
