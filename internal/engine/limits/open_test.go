package limits_test

import (
	"testing"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/limits"
	"ponderal.example/internal/record"
)

// TestOpenEnd: a limit says when nobody found where it ends: the series was broken off or left open and no heavier load failed.
func TestOpenEnd(t *testing.T) {
	const plain = "carry, occasionally, up to 35 lb (15.9 kg)"
	for _, test := range []struct {
		end    record.EndReason
		failed string
		want   string
	}{
		{record.EndAdministrative, "", plain + "; the series was broken off before a limit was found"},
		{record.EndIncomplete, "", plain + "; the series was not brought to an end"},
		{record.EndAdministrative, "40 lb", plain},
		{record.EndVolitional, "", plain},
		{record.EndCeiling, "", plain},
	} {
		c := of(t, 1, record.Carry, record.Occasional, "35 lb")
		c.EndReason = test.end
		if test.failed != "" {
			m := parse(t, test.failed)
			c.BracketTo = &m
		}
		ch := capacity.Choose([]record.Capacity{c})
		if got := limits.Of(&ch, nil, nil, nil); len(got) != 1 || got[0].Text != test.want {
			t.Errorf("%s: got %+v, want %q", test.end, got, test.want)
		}
	}
}
