package rpc

import (
	"context"
	"testing"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
)

// TestEngineWords: every word of the engine's enums leads there and back. That the words are the engine's own, the reference values show.
func TestEngineWords(t *testing.T) {
	checkWords(t, liftingForms)
	checkWords(t, liftingDurations)
	checkWords(t, couplings)
	checkWords(t, liftingConditions)
	checkWords(t, handlingTasks)
	checkWords(t, handleKinds)
	checkWords(t, forceUnits)
}

func TestAngle(t *testing.T) {
	for text, want := range map[string]int{"": 0, "0": 0, "45": 45_000, "12.5": 12_500, "0.001": 1, "180.000": 180_000, "999.999": 999_999} {
		r := &reader{}
		if got := r.angle(text, "a"); int(got) != want || len(r.violations) > 0 {
			t.Errorf("%q is %d (%v), want %d", text, got, r.violations, want)
		}
	}
	for _, text := range []string{"1.0001", "1000", "-1", "x", ".", "1.x"} {
		r := &reader{}
		if got := r.angle(text, "a"); got != 0 || len(r.violations) != 1 || r.violations[0].Field != "a" {
			t.Errorf("%q is %d (%v)", text, got, r.violations)
		}
	}
}

func TestDecimal(t *testing.T) {
	for want, c := range map[string]struct {
		n      int64
		places int
	}{"0.0": {0, 1}, "0.07": {7, 2}, "1.00": {100, 2}, "38.3": {383, 1}} {
		if got := decimal(c.n, c.places); got != want {
			t.Errorf("%d with %d places is %q, want %q", c.n, c.places, got, want)
		}
	}
}

// TestUnreadableQuantities: readers are total; a length or frequency without a value, as only a message that broke its rules has, is named.
func TestUnreadableQuantities(t *testing.T) {
	r := &reader{}
	r.length(nil, "a")
	r.length(&pb.Length{Value: &pb.Length_Inches{Inches: "1.0001"}}, "b")
	r.length(&pb.Length{Value: &pb.Length_Centimetres{Centimetres: "100001"}}, "c")
	r.frequency(&pb.Frequency{}, "d")
	r.frequency(&pb.Frequency{Value: &pb.Frequency_PerMinute{PerMinute: "1000.1"}}, "e")
	r.frequency(&pb.Frequency{Value: &pb.Frequency_EverySeconds{}}, "f")
	want := []string{"a length.required", "b.inches length.decimals", "c.centimetres length.limit", "d frequency.required", "e.per_minute frequency.limit", "f.every_seconds frequency.positive"}
	if len(r.violations) != len(want) {
		t.Fatalf("%v", r.violations)
	}
	for i, v := range r.violations {
		if v.Field+" "+v.Rule != want[i] {
			t.Errorf("%s %s, want %s", v.Field, v.Rule, want[i])
		}
	}
}

// TestSearchesTakeTurns: when every place is taken, a large kit waits until its deadline and is then told to come again; a small kit needs
// no place, and a place that was given back is there for the next.
func TestSearchesTakeTurns(t *testing.T) {
	s, now := newEngine(), context.Background()
	gone, cancel := context.WithCancel(now)
	cancel()
	var given []func()
	for range maxSearches {
		back, err := s.place(now, largeKit+1)
		if err != nil {
			t.Fatal(err)
		}
		given = append(given, back)
	}
	if _, err := s.place(gone, largeKit+1); !fault.Is(err, fault.Overloaded) {
		t.Errorf("a search without a place: %v", err)
	}
	if _, err := s.place(gone, largeKit); err != nil {
		t.Errorf("a small kit: %v", err)
	}
	given[0]()
	if _, err := s.place(now, largeKit+1); err != nil {
		t.Errorf("after one was given back: %v", err)
	}
}
