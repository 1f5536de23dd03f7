package canon

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestDiff(t *testing.T) {
	tests := []struct {
		name, a, b string
		want       []Difference
	}{
		{"same", `{"a":[1,{"b":2}]}`, `{ "a" : [ 1.0, {"b":2} ] }`, nil},
		{"a number changed", `{"series":[{"number":1,"trials":[{"number":3,"load":{"unit":"lb","value":"50"}}]}]}`,
			`{"series":[{"number":1,"trials":[{"number":3,"load":{"unit":"lb","value":"45"}}]}]}`,
			[]Difference{{"series[1].trials[3].load.value", `"50"`, `"45"`}}},
		{"matched by number, not position", `{"trials":[{"number":1,"e":2},{"number":2,"e":3}]}`,
			`{"trials":[{"number":2,"e":3},{"number":3,"e":5},{"number":1,"e":4}]}`,
			[]Difference{{"trials", `[1,2]`, `[2,1]`}, {"trials[1].e", `2`, `4`}, {"trials[3]", ``, `{"e":5,"number":3}`}}},
		{"numbers ordered as numbers", `[{"number":10,"e":1},{"number":9,"e":1}]`, `[]`,
			[]Difference{{"[9]", `{"e":1,"number":9}`, ``}, {"[10]", `{"e":1,"number":10}`, ``}}},
		{"one put in, none moved", `[{"number":1},{"number":3}]`, `[{"number":1},{"number":2},{"number":3}]`,
			[]Difference{{"[2]", ``, `{"number":2}`}}},
		{"only the order", `[{"number":1},{"number":2}]`, `[{"number":2},{"number":1}]`,
			[]Difference{{"", `[1,2]`, `[2,1]`}}},
		{"one without a number: by position", `[{"number":5,"e":1},{"e":1}]`, `[{"number":5,"e":2},{"e":1}]`,
			[]Difference{{"[0].e", `1`, `2`}}},
		{"a number twice: by position", `[{"number":5,"e":1},{"number":5,"e":1}]`, `[{"number":5,"e":1},{"number":5,"e":2}]`,
			[]Difference{{"[1].e", `1`, `2`}}},
		{"a number that is a string: by position", `[{"number":"5"}]`, `[{"number":"6"}]`,
			[]Difference{{"[0].number", `"5"`, `"6"`}}},
		{"plain arrays", `{"s":["a","b"]}`, `{"s":["a","c","d"]}`,
			[]Difference{{"s[1]", `"b"`, `"c"`}, {"s[2]", ``, `"d"`}}},
		{"members come and go, null is a value", `{"a":1,"b":null}`, `{"b":0,"c":{"d":[]}}`,
			[]Difference{{"a", `1`, ``}, {"b", `null`, `0`}, {"c", ``, `{"d":[]}`}}},
		{"another kind", `{"a":[1]}`, `{"a":{"0":1}}`, []Difference{{"a", `[1]`, `{"0":1}`}}},
		{"whole document", `1`, `"1"`, []Difference{{"", `1`, `"1"`}}},
		{"odd names", `{"a.b":{"":1,"[0]":1}}`, `{"a.b":{"":2,"[0]":2}}`,
			[]Difference{{`["a.b"][""]`, `1`, `2`}, {`["a.b"]["[0]"]`, `1`, `2`}}},
	}
	for _, tt := range tests {
		got, err := Diff([]byte(tt.a), []byte(tt.b))
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		if d := cmp.Diff(tt.want, got); d != "" {
			t.Errorf("%s: (-want +got)\n%s", tt.name, d)
		}
		back, err := Diff([]byte(tt.b), []byte(tt.a))
		if err != nil || len(back) != len(tt.want) {
			t.Errorf("%s: the other way round gives %d differences, %v", tt.name, len(back), err)
			continue
		}
		for i, d := range back {
			if d.Path != tt.want[i].Path || d.Was != tt.want[i].Now || d.Now != tt.want[i].Was {
				t.Errorf("%s: the other way round gives %v", tt.name, d)
			}
		}
	}
}

func TestDiffRefusesWhatTransformRefuses(t *testing.T) {
	if _, err := Diff([]byte(`{"a":1,"a":2}`), []byte(`{}`)); !errors.Is(err, ErrMalformed) {
		t.Errorf("first: %v, want ErrMalformed", err)
	}
	if _, err := Diff([]byte(`{}`), []byte(`{`)); !errors.Is(err, ErrMalformed) {
		t.Errorf("second: %v, want ErrMalformed", err)
	}
}

func FuzzDiff(f *testing.F) {
	f.Add([]byte(`{"a":[{"number":1}]}`), []byte(`{"a":[{"number":2}]}`))
	f.Add([]byte(`[1,2]`), []byte(`{"1":2}`))
	f.Fuzz(func(t *testing.T, a, b []byte) {
		found, err := Diff(a, b)
		if err != nil {
			return
		}
		was, _ := Transform(a)
		now, _ := Transform(b)
		if Equal(was, now) != (len(found) == 0) {
			t.Fatalf("%q and %q have %d differences", was, now, len(found))
		}
		seen := map[string]bool{}
		for _, d := range found {
			if d.Was == d.Now || seen[d.Path] {
				t.Fatalf("difference %+v of %q and %q is none, or stands twice", d, was, now)
			}
			seen[d.Path] = true
			for _, side := range []string{d.Was, d.Now} {
				if side != "" && !IsCanonical([]byte(side)) {
					t.Fatalf("difference %+v of %q and %q is not canonical", d, was, now)
				}
			}
		}
	})
}
