package auditcheck

import (
	"encoding/json"
	"testing"
)

func TestMembers(t *testing.T) {
	t.Parallel()
	doc := []byte(`{"a":"x","b":{"id":"y","n":[1,{"d":"}\"]"}]},"e\\":"\\","n":12,"o":{},"z":"last"}`)
	v, ok := membersOf(doc, "a", "b", "n", "none", "z")
	if !ok || !v.is("a", "x") || v.is("a", "y") || !v.id("b", "y") || !v.number("n", 12) || v.number("n", 1) || v.number("a", 12) || !v.is("z", "last") {
		t.Errorf("members of %s are misread", doc)
	}
	if !v.is("none", "") || v.is("none", "x") || v.is("n", "12") || v.is("n", "1") || v.id("a", "") || v.id("b", "x") || v.id("none", "") || v.number("none", 0) || v.is("o", "x") {
		t.Errorf("what is not there is found in %s", doc)
	}
	if _, ok := membersOf([]byte(`{}`), "a"); !ok {
		t.Error("an object without members is readable")
	}
	for _, doc := range []string{"", "{", "}", "[]", `""`, `{"a"}`, `{"a":}`, `{"a":1`, `{"a":1}x`, `{"a":1,}`, `{"a":"1}`, `{1:2}`, `{"a":"\"}`, `{a:1}`, `{"a":1,,"b":2}`} {
		if _, ok := membersOf([]byte(doc), "a"); ok {
			t.Errorf("%s is readable", doc)
		}
	}
}

// FuzzMembers: what is found in a canonical object is what a JSON decoder finds there, and no input is read out of bounds.
func FuzzMembers(f *testing.F) {
	f.Add([]byte(`{"a":"x","b":[1,"]"],"n":-3}`))
	f.Add([]byte(`{"a":"\\"}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		v, ok := membersOf(doc, "a")
		var want map[string]json.RawMessage
		if json.Unmarshal(doc, &want) != nil {
			return
		}
		again, err := json.Marshal(want) // no spaces, members in order
		if err != nil || string(again) != string(doc) {
			return
		}
		if got := v.get("a"); !ok || string(got) != string(want["a"]) {
			t.Errorf("%q: got %q, %t, want %q", doc, got, ok, want["a"])
		}
	})
}
