package canon

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Difference is one place where two documents differ.
type Difference struct {
	// Path is where, such as "series[1].trials[3].load.value". In brackets
	// stands the member "number" of an element matched by it, otherwise its
	// position from 0, or a quoted name that is no plain word. The whole
	// document is "".
	Path string
	// Was and Now are compact canonical JSON, empty where there is no value.
	Was, Now string
}

// Diff returns the places where the two documents differ, ordered by path with
// numbers in brackets ordered as numbers. Arrays are compared by position,
// except where every element of both is an object with an integer member "number",
// each number once in either: those are matched by that number, so that an element
// put in or left out is one difference. Where those that both have stand in
// another order, one more difference at the array's path gives their numbers in
// each order. A value on one side only is one difference at its path. Two
// documents without a difference are the same canonical document.
func Diff(a, b []byte) ([]Difference, error) {
	was, err := Transform(a)
	if err != nil {
		return nil, fmt.Errorf("diff: first document: %w", err)
	}
	now, err := Transform(b)
	if err != nil {
		return nil, fmt.Errorf("diff: second document: %w", err)
	}
	var d differ
	d.value("", was, now)
	if d.err != nil {
		return nil, fmt.Errorf("diff: %w", d.err)
	}
	return d.found, nil
}

// differ walks two canonical documents side by side.
type differ struct {
	found []Difference
	err   error
}

func (d *differ) value(path string, was, now json.RawMessage) {
	switch {
	case Equal(was, now) || d.err != nil:
	case isKind(was, '{') && isKind(now, '{'):
		d.objects(path, was, now)
	case isKind(was, '[') && isKind(now, '['):
		d.arrays(path, was, now)
	default:
		d.found = append(d.found, Difference{Path: path, Was: string(was), Now: string(now)})
	}
}

func isKind(doc json.RawMessage, bracket byte) bool { return len(doc) > 0 && doc[0] == bracket }

func (d *differ) objects(path string, was, now json.RawMessage) {
	var before, after map[string]json.RawMessage
	d.decode(was, &before)
	d.decode(now, &after)
	for _, name := range unionOf(before, after) {
		d.value(member(path, name), before[name], after[name])
	}
}

func (d *differ) arrays(path string, was, now json.RawMessage) {
	var before, after []json.RawMessage
	d.decode(was, &before)
	d.decode(now, &after)
	matched, ok := numbered(before)
	other, otherOK := numbered(after)
	if ok && otherOK {
		d.order(path, matched, other)
	} else {
		matched, other = positioned(before), positioned(after)
	}
	for _, n := range unionOf(matched.by, other.by) {
		d.value(path+"["+strconv.FormatInt(n, 10)+"]", matched.by[n], other.by[n])
	}
}

// order finds the numbers that both arrays have in another order.
func (d *differ) order(path string, a, b elements) {
	was, now := a.shared(b), b.shared(a)
	if !slices.Equal(was, now) {
		d.found = append(d.found, Difference{Path: path, Was: listOf(was), Now: listOf(now)})
	}
}

// listOf writes numbers as a JSON array.
func listOf(numbers []int64) string {
	b := []byte{'['}
	for i, n := range numbers {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, n, 10)
	}
	return string(append(b, ']'))
}

func (d *differ) decode(doc json.RawMessage, into any) {
	if err := json.Unmarshal(doc, into); err != nil && d.err == nil {
		// Transform accepted the document, so this does not happen; were it to,
		// the text of the error could quote it.
		d.err = ErrMalformed
	}
}

// elements are those of an array, by the number they are matched by.
type elements struct {
	by    map[int64]json.RawMessage
	order []int64 // the numbers as they stand in the array
}

// shared returns the numbers that o has too, in e's order.
func (e elements) shared(o elements) []int64 {
	var both []int64
	for _, n := range e.order {
		if _, ok := o.by[n]; ok {
			both = append(both, n)
		}
	}
	return both
}

// numbered takes the elements by their member "number", if all have one that
// is an integer and no two share it. An empty array is numbered.
func numbered(array []json.RawMessage) (elements, bool) {
	e := elements{by: make(map[int64]json.RawMessage, len(array))}
	for _, value := range array {
		var object map[string]json.RawMessage
		if !isKind(value, '{') || json.Unmarshal(value, &object) != nil {
			return elements{}, false
		}
		n, err := strconv.ParseInt(string(object["number"]), 10, 64)
		if err != nil {
			return elements{}, false
		}
		if _, taken := e.by[n]; taken {
			return elements{}, false
		}
		e.by[n] = value
		e.order = append(e.order, n)
	}
	return e, true
}

// positioned takes the elements by their position from 0.
func positioned(array []json.RawMessage) elements {
	e := elements{by: make(map[int64]json.RawMessage, len(array))}
	for i, value := range array {
		e.by[int64(i)] = value
	}
	return e
}

// unionOf returns the keys of both maps, each once, ascending.
func unionOf[K int64 | string](a, b map[K]json.RawMessage) []K {
	keys := make([]K, 0, max(len(a), len(b)))
	for k := range a {
		keys = append(keys, k)
	}
	for k := range b {
		if _, both := a[k]; !both {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// member extends a path by a member's name: after a point when it is a plain
// word, otherwise quoted in brackets so that a path stays unambiguous.
func member(path, name string) string {
	const word = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-"
	switch {
	case name == "" || strings.Trim(name, word) != "":
		return path + "[" + strconv.Quote(name) + "]"
	case path == "":
		return name
	}
	return path + "." + name
}
