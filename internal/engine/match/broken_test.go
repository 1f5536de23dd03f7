package match_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/engine/capacity"
	"ponderal.example/internal/engine/match"
	"ponderal.example/internal/record"
)

// TestBrokenOff: a series that was broken off or left open found no limit, so a demand above its capacity stays open, unless a load up to the
// demand failed in it. A limit that was found, even the plan's ceiling, decides.
func TestBrokenOff(t *testing.T) {
	for _, test := range []struct {
		name    string
		end     record.EndReason
		bracket int64
		want    record.Outcome
		missing []string
	}{
		{"broken off", record.EndAdministrative, 0, record.CannotBeDetermined,
			[]string{"Short: carry at the occasional pace: series 3 was broken off before a limit was found"}},
		{"left open", record.EndIncomplete, 0, record.CannotBeDetermined, []string{"Short: carry at the occasional pace: series 3 was not brought to an end"}},
		{"broken off after the demand failed", record.EndAdministrative, 45_000, record.DoesNotMeet, nil},
		{"broken off after more than the demand failed", record.EndAdministrative, 45_001, record.CannotBeDetermined,
			[]string{"Short: carry at the occasional pace: series 3 was broken off before a limit was found"}},
		{"by will", record.EndVolitional, 0, record.DoesNotMeet, nil},
		{"at the ceiling", record.EndCeiling, 0, record.DoesNotMeet, nil},
	} {
		c := inSeries(3, record.Occasional, 40_000)
		c.EndReason = test.end
		if test.bracket != 0 {
			c.BracketTo = pointer(test.bracket)
		}
		ch := capacity.Choose([]record.Capacity{c})
		got, _ := match.Match(match.Input{Chosen: &ch, Job: &record.JobProfile{Tasks: []record.JobTask{carry("Short", record.Occasional, 45_000)}}})
		if got.Tasks[0].Verdict != record.TaskShort || got.Outcome != test.want {
			t.Errorf("%s: %s, %s; want %s", test.name, got.Tasks[0].Verdict, got.Outcome, test.want)
		}
		if diff := cmp.Diff(test.missing, got.Missing); diff != "" {
			t.Errorf("%s: missing (-want +got):\n%s", test.name, diff)
		}
	}
}
