package record_test

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// generator fills records with everything that their types allow: each field empty in about a third of the cases, and texts that need
// every kind of escape.
type generator struct{ *rand.Rand }

var awkward = []string{"a", "quote \" and \\", "line\nand\ttab\r\b\f", "\x00\x1f", "<b>&amp;</b>", "\u2028\u2029", "größe 重 🏋", "\ufffd", "\u007f"}

func (g generator) fill(v reflect.Value) {
	switch at := v.Addr().Interface().(type) {
	case *record.Time:
		*at = record.TimeOf(time.Unix(g.Int64N(4e9), g.Int64N(3)*500_000_000+g.Int64N(2)*1000).UTC())
		return
	case *mass.Mass:
		*at = mass.FromUnits([]int64{0, 45_359_237_000 * g.Int64N(200), 45_359_237 * g.Int64N(1e6), g.Int64N(1e14)}[g.IntN(4)])
		return
	case *record.Effort:
		*at = record.Effort(g.IntN(21))
		return
	}
	empty := g.IntN(3) == 0
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			g.fill(v.Field(i))
		}
	case reflect.Pointer:
		if !empty {
			v.Set(reflect.New(v.Type().Elem()))
			g.fill(v.Elem())
		}
	case reflect.Slice:
		if !empty {
			v.Set(reflect.MakeSlice(v.Type(), g.IntN(4), 4))
			for i := range v.Len() {
				g.fill(v.Index(i))
			}
		}
	case reflect.String:
		if !empty {
			v.SetString(awkward[g.IntN(len(awkward))])
		}
	case reflect.Int:
		if !empty {
			v.SetInt(g.Int64N(1000))
		}
	case reflect.Bool:
		v.SetBool(!empty)
	}
}

// sameBytes holds a direct encoder against canon.Marshal, which knows nothing of it, over generated values.
func sameBytes[T any](t *testing.T, encode func(T) ([]byte, error)) {
	t.Helper()
	g := generator{rand.New(rand.NewPCG(1, 2))}
	for range 3000 {
		var v T
		g.fill(reflect.ValueOf(&v).Elem())
		want, err := canon.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		got, err := encode(v)
		if err != nil {
			t.Fatalf("encode %s: %v", want, err)
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("got  %s\nwant %s", got, want)
		}
	}
}

func TestCanonicalTrialIsCanonMarshal(t *testing.T)   { sameBytes(t, record.CanonicalTrial) }
func TestCanonicalSessionIsCanonMarshal(t *testing.T) { sameBytes(t, record.CanonicalSession) }
func TestCanonicalFindingIsCanonMarshal(t *testing.T) { sameBytes(t, record.CanonicalFinding) }

// TestCanonicalTrialRefuses: what canon.Marshal refuses, and a neighbour that both write.
func TestCanonicalTrialRefuses(t *testing.T) {
	cases := []struct {
		name    string
		trial   record.Trial
		refused bool
	}{
		{"text that is not UTF-8", record.Trial{ClosedReason: "a\xff"}, true},
		{"text in UTF-8", record.Trial{ClosedReason: "a\u00ff"}, false},
		{"negative mass", record.Trial{Load: mass.FromUnits(-1)}, true},
		{"no mass", record.Trial{Load: mass.Zero()}, false},
		{"integer beyond a double", record.Trial{Repetitions: canon.MaxInt + 2}, true},
		{"largest integer", record.Trial{Repetitions: canon.MaxInt}, false},
	}
	for _, c := range cases {
		_, direct := record.CanonicalTrial(c.trial)
		_, general := canon.Marshal(c.trial)
		if (direct != nil) != c.refused || (general != nil) != c.refused {
			t.Errorf("%s: direct %v, general %v; want refused %v", c.name, direct, general, c.refused)
		}
	}
}

func benchmarkTrial() record.Trial {
	rate, effort, yes := 128, record.Effort(11), true
	return record.Trial{
		Number: 4, At: record.TimeOf(time.Date(2026, 3, 2, 9, 15, 0, 0, time.UTC)), Load: mass.FromUnits(40 * 45_359_237_000),
		InsertCodes: []string{"K7", "M2", "Q9"}, Repetitions: 4, HeartRate: &rate, Effort: &effort, Sustainable: &yes, MorePossible: &yes,
		Signs: []record.MechanicsSign{{Sign: record.SignTrunkLean, Grade: 1}},
	}
}

func BenchmarkCanonicalTrial(b *testing.B) {
	trial := benchmarkTrial()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := record.CanonicalTrial(trial); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCanonMarshalTrial(b *testing.B) {
	trial := benchmarkTrial()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := canon.Marshal(trial); err != nil {
			b.Fatal(err)
		}
	}
}
