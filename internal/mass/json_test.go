package mass

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestMarshalJSON(t *testing.T) {
	for _, tt := range []struct {
		m    Mass
		want string
	}{
		{mustParse(t, "50", Pound), `{"unit":"lb","value":"50"}`},
		{mustParse(t, "22.6796185", Kilogram), `{"unit":"lb","value":"50"}`},
		{mustParse(t, "20", Kilogram), `{"unit":"kg","value":"20"}`},
		{Zero(), `{"unit":"kg","value":"0"}`},
	} {
		if got, err := json.Marshal(tt.m); string(got) != tt.want || err != nil {
			t.Errorf("Marshal = %s, %v, want %s", got, err, tt.want)
		}
	}
	_, err := json.Marshal(Zero().Sub(mustParse(t, "5", Pound)))
	checkRule(t, "marshal a negative difference", err, RuleNegative)
}

func TestUnmarshalJSON(t *testing.T) {
	fifty := mustParse(t, "50", Pound)
	tests := []struct {
		text string
		want Mass
		rule Rule
	}{
		{`{"unit":"lb","value":"50"}`, fifty, ""},
		{`{"value":"50","unit":"lb"}`, fifty, ""},
		{` { "unit" : "kg" , "value" : "22.6796185" } `, fifty, ""},
		{`{"unit":"\u006cb","value":"5\u0030"}`, fifty, ""},
		{`{"unit":"lb","value":"50","note":"x"}`, Mass{}, RuleObject},
		{`{"unit":"lb","value":"50","value":"50"}`, Mass{}, RuleObject},
		{`{"Unit":"lb","value":"50"}`, Mass{}, RuleObject},
		{`{"unit":"lb"}`, Mass{}, RuleObject},
		{`{"value":"50"}`, Mass{}, RuleObject},
		{`{}`, Mass{}, RuleObject},
		{`{"unit":"lb","value":50}`, Mass{}, RuleObject},
		{`{"unit":"lb","value":null}`, Mass{}, RuleObject},
		{`{"unit":"lb","value":{"a":"50"}}`, Mass{}, RuleObject},
		{`["lb","50"]`, Mass{}, RuleObject},
		{`"50 lb"`, Mass{}, RuleObject},
		{`50`, Mass{}, RuleObject},
		{`null`, Mass{}, RuleObject},
		{`{"unit":"lbs","value":"50"}`, Mass{}, RuleUnit},
		{`{"unit":"lb","value":"-50"}`, Mass{}, RuleDecimal},
		{`{"unit":"lb","value":"NaN"}`, Mass{}, RuleDecimal},
		{`{"unit":"lb","value":""}`, Mass{}, RuleDecimal},
		{`{"unit":"lb","value":"50.0001"}`, Mass{}, RuleDecimals},
		{`{"unit":"kg","value":"1001"}`, Mass{}, RuleLimit},
	}
	for _, tt := range tests {
		// Standing in a struct, so that null reaches UnmarshalJSON too.
		var got struct{ Load Mass }
		err := json.Unmarshal([]byte(`{"Load":`+tt.text+`}`), &got)
		checkRule(t, tt.text, err, tt.rule)
		if got.Load != tt.want {
			t.Errorf("%s = %s, want %s", tt.text, got.Load, tt.want)
		}
	}
}

func TestUnmarshalJSONCalledDirectly(t *testing.T) {
	// encoding/json never passes these on; another caller could.
	for _, text := range []string{"", "{", `{"unit":"lb","value":"50"} 1`, `{"unit":"lb","value":"50"`, `{"unit"`} {
		m := FromUnits(7)
		checkRule(t, text, m.UnmarshalJSON([]byte(text)), RuleObject)
		if m != FromUnits(7) {
			t.Errorf("%q: a refused value changed the mass", text)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"0", "50", "22.5", "0.001", "22.6796185", "1000", "2204.622", "05", "1.", "-1", "1e3"} {
		f.Add(s, true)
		f.Add(s, false)
	}
	f.Fuzz(func(t *testing.T, value string, pounds bool) {
		unit := Kilogram
		if pounds {
			unit = Pound
		}
		m, err := Parse(value, unit)
		if err != nil {
			return
		}
		if m.Units() < 0 || m.Units() > limitUnits {
			t.Fatalf("%q %s: %d units are outside the limits", value, unit, m.Units())
		}
		// What was entered is kept to the digit, superfluous zeros apart.
		entered := value
		if strings.Contains(value, ".") {
			entered = strings.TrimSuffix(strings.TrimRight(value, "0"), ".")
		}
		if got, exact := m.In(unit); got != entered || !exact {
			t.Fatalf("%q %s comes back as %q (exact %v)", value, unit, got, exact)
		}
		for _, back := range respell(t, m) {
			if back != m {
				t.Fatalf("%q %s: a round trip gives %s, want %s", value, unit, back, m)
			}
		}
	})
}

// respell sends m through each of its spellings and back.
func respell(t *testing.T, m Mass) []Mass {
	t.Helper()
	value, unit := m.Canonical()
	out := []Mass{mustParse(t, value, unit)}
	inKilograms, _ := m.In(Kilogram)
	out = append(out, mustParse(t, inKilograms, Kilogram))
	b, err := m.MarshalJSON()
	if err != nil {
		t.Fatal(err)
	}
	var decoded Mass
	if err := decoded.UnmarshalJSON(b); err != nil {
		t.Fatal(err)
	}
	return append(out, decoded)
}

func FuzzUnmarshalJSON(f *testing.F) {
	f.Add([]byte(`{"unit":"lb","value":"50"}`))
	f.Add([]byte(`{ "value":"20","unit":"kg"}`))
	f.Add([]byte(`{"unit":"lb","value":"50","unit":"kg"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var m Mass
		if m.UnmarshalJSON(b) != nil {
			return
		}
		if !json.Valid(b) {
			t.Fatalf("accepted what is not JSON: %q", b)
		}
		// A mass above the fast path's spelling must read the same by the slow one.
		value, unit, err := decodeObject(b)
		if err != nil {
			t.Fatalf("the two readers disagree on %q: %v", b, err)
		}
		if slow := mustParse(t, value, Unit(unit)); slow != m {
			t.Fatalf("the two readers disagree on %q: %s and %s", b, m, slow)
		}
	})
}

func BenchmarkUnmarshalJSON(b *testing.B) {
	text := []byte(`{"unit":"lb","value":"22.5"}`)
	b.ReportAllocs()
	for b.Loop() {
		var m Mass
		if err := m.UnmarshalJSON(text); err != nil {
			b.Fatal(err)
		}
	}
}
