package auditcheck

import (
	"bytes"
	"strconv"
)

// members are the top members of a canonical JSON object, each value as it is spelled. A body is looked at only after its digest was found to be
// the one that the log recorded, so nothing is decoded that no column repeats.
type members struct {
	doc []byte
}

// get is the value of a member as it is spelled, nil when there is none; ok is false when the object cannot be read up to there.
func (m members) get(name string) (value []byte, ok bool) {
	if len(m.doc) < 2 || m.doc[0] != '{' {
		return nil, false
	}
	rest := m.doc[1:]
	if rest[0] == '}' {
		return nil, len(rest) == 1
	}
	for {
		key := spell(rest)
		if key < 2 || rest[0] != '"' || key >= len(rest) || rest[key] != ':' {
			return nil, false
		}
		found := string(rest[1:key-1]) == name
		rest = rest[key+1:]
		n := spell(rest)
		if n == 0 || n >= len(rest) {
			return nil, false
		}
		if found {
			return rest[:n], true
		}
		switch {
		case rest[n] == '}':
			return nil, n+1 == len(rest)
		case rest[n] != ',' || n+1 == len(rest):
			return nil, false
		}
		rest = rest[n+1:]
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

// quoted is how many bytes the string at the start of a text has, its quotes included; 0 when it has no end.
func quoted(text []byte) int {
	for i := 1; i < len(text); i++ {
		n := bytes.IndexByte(text[i:], '"')
		if n < 0 {
			return 0
		}
		i += n
		back := i
		for text[back-1] == '\\' {
			back--
		}
		if (i-back)%2 == 0 {
			return i + 1
		}
	}
	return 0
}

// is reports whether the member is that text, which needs no escapes; an empty text also by being absent.
func (m members) is(name, text string) bool {
	v, ok := m.get(name)
	if !ok || v == nil {
		return ok && text == ""
	}
	return len(v) == len(text)+2 && v[0] == '"' && v[len(v)-1] == '"' && string(v[1:len(v)-1]) == text
}

// number reports whether the member is that whole number.
func (m members) number(name string, n int64) bool {
	v, ok := m.get(name)
	return ok && string(v) == strconv.FormatInt(n, 10)
}

// in are the members of a member that is an object; none when it is not.
func (m members) in(name string) members {
	v, _ := m.get(name)
	return members{v}
}

// readable reports whether the whole is an object in the form that is read here.
func (m members) readable() bool {
	_, ok := m.get("\x00")
	return ok
}
