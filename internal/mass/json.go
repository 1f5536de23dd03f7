package mass

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
)

// MarshalJSON writes the canonical spelling as {"unit":"lb","value":"50"},
// whose members already stand in RFC 8785 order. A negative difference is a
// *RuleError with RuleNegative.
func (m Mass) MarshalJSON() ([]byte, error) {
	if m.units < 0 {
		return nil, &RuleError{Rule: RuleNegative}
	}
	return m.AppendJSON(nil), nil
}

// AppendJSON appends the form that MarshalJSON returns. m is not negative.
func (m Mass) AppendJSON(b []byte) []byte {
	value, unit := m.Canonical()
	b = append(b, `{"unit":"`...)
	b = append(b, unit...)
	b = append(b, `","value":"`...)
	b = append(b, value...)
	return append(b, `"}`...)
}

// UnmarshalJSON reads an object of exactly the members "unit" and "value",
// both strings, by the rules of Parse; any other member, a repeated one or null
// is a *RuleError. The mass may be spelled in either unit.
func (m *Mass) UnmarshalJSON(b []byte) error {
	value, unit, ok := splitCompact(b)
	if !ok {
		var err error
		if value, unit, err = decodeObject(b); err != nil {
			return err
		}
	}
	u, err := ParseUnit(unit)
	if err != nil {
		return err
	}
	parsed, err := Parse(value, u)
	if err != nil {
		return err
	}
	*m = parsed
	return nil
}

// splitCompact takes the spelling that MarshalJSON writes apart without
// decoding. What it declines, decodeObject judges.
func splitCompact(b []byte) (value, unit string, ok bool) {
	s, ok := strings.CutPrefix(string(b), `{"unit":"`)
	if !ok {
		return "", "", false
	}
	unit, s, ok = strings.Cut(s, `","value":"`)
	if !ok {
		return "", "", false
	}
	value, ok = strings.CutSuffix(s, `"}`)
	if !ok || strings.ContainsAny(unit, `"\`) || strings.ContainsAny(value, `"\`) {
		return "", "", false
	}
	return value, unit, true
}

// decodeObject reads any JSON spelling of the object. Member names are
// compared exactly, which encoding/json by itself does not do.
func decodeObject(b []byte) (value, unit string, err error) {
	refused := &RuleError{Rule: RuleObject}
	dec := json.NewDecoder(bytes.NewReader(b))
	if tok, err := dec.Token(); err != nil || tok != json.Delim('{') {
		return "", "", refused
	}
	members := map[string]string{}
	for dec.More() {
		key, okKey := nextString(dec)
		text, okText := nextString(dec)
		_, repeated := members[key]
		if !okKey || !okText || repeated || (key != "unit" && key != "value") {
			return "", "", refused
		}
		members[key] = text
	}
	if _, err := dec.Token(); err != nil || len(members) != 2 {
		return "", "", refused
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return "", "", refused
	}
	return members["value"], members["unit"], nil
}

// nextString reads one token and reports whether it is a string.
func nextString(dec *json.Decoder) (string, bool) {
	tok, err := dec.Token()
	if err != nil {
		return "", false
	}
	s, ok := tok.(string)
	return s, ok
}
