package demo

import (
	"fmt"
	"strings"
	"time"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// enum is a generated enumeration.
type enum interface{ String() string }

// plain says a word of the contract to people: without its prefix, small letters.
func plain(prefix string, e enum) string {
	word := strings.TrimPrefix(e.String(), prefix)
	if word == "UNSPECIFIED" {
		return "-"
	}
	return strings.ToLower(strings.ReplaceAll(word, "_", " "))
}

func zoneWord(z ponderalv1.Zone) string {
	switch z {
	case ponderalv1.Zone_ZONE_CARRY, ponderalv1.Zone_ZONE_PUSH, ponderalv1.Zone_ZONE_PULL:
		return plain("ZONE_", z)
	}
	return strings.ReplaceAll(plain("ZONE_", z), " ", "-")
}

func paceWord(p ponderalv1.Pace) string           { return plain("PACE_", p) }
func endWord(e ponderalv1.EndReason) string       { return plain("END_REASON_", e) }
func levelWord(l ponderalv1.StrengthLevel) string { return plain("STRENGTH_LEVEL_", l) }
func outcomeWord(o ponderalv1.JobOutcome) string  { return plain("JOB_OUTCOME_", o) }
func verdictWord(v ponderalv1.TaskVerdict) string { return plain("TASK_VERDICT_", v) }
func basisWord(b ponderalv1.Basis) string         { return plain("BASIS_", b) }
func statusWord(s ponderalv1.TrialStatus) string  { return plain("TRIAL_STATUS_", s) }
func unitWord(u ponderalv1.Unit) string           { return plain("UNIT_", u) }
func fullName(c *ponderalv1.Client) string        { return c.GetGivenName() + " " + c.GetFamilyName() }
func seconds(d time.Duration) string              { return fmt.Sprintf("%.1f s", d.Seconds()) }
func trialID(session string, series, n uint32) string {
	return fmt.Sprintf("%s/%d/%d", session, series, n)
}

// shortName is a person as wide tables show one; no two clients of the day share it.
func shortName(c *ponderalv1.Client) string { return c.GetGivenName()[:1] + ". " + c.GetFamilyName() }

// shortZone is a zone as wide tables show it.
func shortZone(z ponderalv1.Zone) string {
	switch z {
	case ponderalv1.Zone_ZONE_WAIST_SHOULDER:
		return "waist-sh."
	case ponderalv1.Zone_ZONE_SHOULDER_OVERHEAD:
		return "overhead"
	case ponderalv1.Zone_ZONE_FLOOR_SHOULDER:
		return "floor-sh."
	}
	return zoneWord(z)
}

// massWord says a mass, or a dash where there is none.
func massWord(m *ponderalv1.Mass) string {
	if m == nil {
		return "-"
	}
	return m.GetValue() + " " + unitWord(m.GetUnit())
}

// endShort is the end reason in three letters, for the wide table.
func endShort(e ponderalv1.EndReason) string {
	if e == ponderalv1.EndReason_END_REASON_HEART_RATE {
		return "hrt"
	}
	return endWord(e)[:3]
}

// orNothing says an absent value.
func orNothing(v string) string {
	if v == "" {
		return "(nothing)"
	}
	return v
}
