package auditcheck

import "strconv"

// maxWanted is how many members are looked for in one object.
const maxWanted = 5

// members are the wanted top members of a canonical JSON object, each value as it is spelled, nil when there is none. A body is looked at only after
// its digest was found to be the one that the log recorded, so nothing is decoded that no column repeats.
type members struct {
	names  []string
	values [maxWanted][]byte
}

// membersOf reads an object once, to its end; ok is false when it is none in the form that is read here.
func membersOf(doc []byte, names ...string) (m members, ok bool) {
	m.names = names
	if len(doc) < 2 || doc[0] != '{' {
		return m, false
	}
	rest := doc[1:]
	if rest[0] == '}' {
		return m, len(rest) == 1
	}
	for {
		key := quoted(rest)
		if key < 2 || key >= len(rest) || rest[key] != ':' {
			return m, false
		}
		name := rest[1 : key-1]
		rest = rest[key+1:]
		n := spell(rest)
		if n == 0 || n >= len(rest) {
			return m, false
		}
		m.keep(name, rest[:n])
		switch {
		case rest[n] == '}':
			return m, n+1 == len(rest)
		case rest[n] != ',' || n+1 == len(rest):
			return m, false
		}
		rest = rest[n+1:]
	}
}

func (m *members) keep(name, value []byte) {
	for i, wanted := range m.names {
		if string(name) == wanted {
			m.values[i] = value
		}
	}
}

// spell is how many bytes the value at the start of a text has, 0 when there is no whole one.
func spell(text []byte) int {
	depth := 0
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '"':
			n := quoted(text[i:])
			if n == 0 {
				return 0
			}
			i += n - 1
			if depth == 0 {
				return i + 1
			}
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return i
			}
			if depth--; depth == 0 {
				return i + 1
			}
		case ',', ':':
			if depth == 0 {
				return i
			}
		}
	}
	return 0
}

// quoted is how many bytes the string at the start of a text has, its quotes included; 0 when none stands there, or it has no end.
func quoted(text []byte) int {
	if len(text) == 0 || text[0] != '"' {
		return 0
	}
	for i := 1; i < len(text); i++ {
		switch text[i] {
		case '"':
			return i + 1
		case '\\':
			i++
		}
	}
	return 0
}

// get is a wanted member's value as it is spelled; nil when there is none.
func (m members) get(name string) []byte {
	for i, wanted := range m.names {
		if name == wanted {
			return m.values[i]
		}
	}
	return nil
}

// is reports whether the member is that text, which needs no escapes; an empty text also by being absent.
func (m members) is(name, text string) bool {
	v := m.get(name)
	if v == nil {
		return text == ""
	}
	return len(v) == len(text)+2 && v[0] == '"' && v[len(v)-1] == '"' && string(v[1:len(v)-1]) == text
}

// number reports whether the member is that whole number.
func (m members) number(name string, n int64) bool {
	v := m.get(name)
	return v != nil && string(v) == strconv.FormatInt(n, 10)
}

// id reports whether the member is an object with that id.
func (m members) id(name, text string) bool {
	inner, ok := membersOf(m.get(name), "id")
	return ok && inner.is("id", text)
}
