package golden_test

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/engine/golden"
	"ponderal.example/internal/engine/score"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

const (
	dir    = "../../../testdata/golden"
	rules1 = "../../../testdata/golden-rules-1"
)

func load(t *testing.T) []golden.Case {
	t.Helper()
	cases, err := golden.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	return cases
}

// TestFindings holds the engine against every case: those of the newest rules, and those of the rules before.
func TestFindings(t *testing.T) {
	before, err := golden.Load(rules1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range before {
		if c.Input.Rules != score.Rules1 || c.Finding.Engine != score.Rules1 {
			t.Errorf("%s is not of the rules 1", c.Name)
		}
	}
	for _, c := range append(before, load(t)...) {
		t.Run(c.Name, func(t *testing.T) {
			got, err := score.Score(c.Input.Score())
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.Finding, got, cmp.Comparer(func(a, b mass.Mass) bool { return a == b })); diff != "" {
				t.Errorf("%s\nfinding (-want +got):\n%s", c.Why, diff)
			}
		})
	}
}

// TestTwins: the same loads in pounds and kilograms give the same bytes.
func TestTwins(t *testing.T) {
	cases := load(t)
	twins := 0
	for _, c := range cases {
		if c.TwinOf == "" {
			continue
		}
		for _, other := range cases {
			if other.Name != c.TwinOf {
				continue
			}
			twins++
			other.Input.Session.ID = c.Input.Session.ID
			if a, b := bytesOf(t, c), bytesOf(t, other); a != b {
				t.Errorf("%s: %s\n%s: %s", c.Name, a, other.Name, b)
			}
		}
	}
	if twins != 2 {
		t.Errorf("compared %d twins, want 2", twins)
	}
}

// TestSpelledInKilograms: a case of loads entered in kilograms has them so in its file. A file that was written back from a record would have
// every load in its shorter spelling, and a twin of one in pounds would prove nothing.
func TestSpelledInKilograms(t *testing.T) {
	spelled := 0
	for _, pattern := range []string{"*-entered-in-kg.json", "*-exactly-in-kg.json"} {
		for _, d := range []string{dir, rules1} {
			paths, err := filepath.Glob(filepath.Join(d, pattern))
			if err != nil {
				t.Fatal(err)
			}
			for _, path := range paths {
				spelled++
				inKilograms(t, path)
			}
		}
	}
	if spelled != 8 {
		t.Errorf("%d cases of loads entered in kilograms, want 8", spelled)
	}
}

func inKilograms(t *testing.T, path string) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var c struct {
		Input struct {
			Session struct {
				Series []struct {
					Trials []struct{ Load struct{ Unit string } }
				}
			}
		}
	}
	if err := json.Unmarshal(text, &c); err != nil {
		t.Fatal(err)
	}
	for _, s := range c.Input.Session.Series {
		for _, trial := range s.Trials {
			if trial.Load.Unit != "kg" {
				t.Errorf("%s: a load is entered in %q", filepath.Base(path), trial.Load.Unit)
			}
		}
	}
}

func bytesOf(t *testing.T, c golden.Case) string {
	t.Helper()
	f, err := score.Score(c.Input.Score())
	if err != nil {
		t.Fatal(err)
	}
	text, err := canon.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestPushable: every case passes the checks that a push passes.
func TestPushable(t *testing.T) {
	names, ids := map[string]bool{}, map[string]bool{}
	for _, c := range load(t) {
		if names[c.Name] || ids[c.Input.Session.ID] || c.Why == "" || c.Source == "" {
			t.Errorf("%s: name or session id occurs twice, or it says not why or not whence", c.Name)
		}
		names[c.Name], ids[c.Input.Session.ID] = true, true
		in := c.Input.Score()
		found := record.CheckSession(in.Session, "session")
		for _, s := range in.Session.Series {
			found = append(found, record.CheckSeriesAgainst(s, in.Protocols, in.Kits, "session.series")...)
		}
		if in.Job != nil {
			found = append(found, record.CheckJobProfile(*in.Job, "job_profile")...)
		}
		for _, p := range c.Input.Protocols {
			found = append(found, record.CheckProtocol(p.Protocol, "protocol")...)
			text, err := canon.Marshal(p.Protocol)
			if err != nil {
				t.Fatal(err)
			}
			if got := canon.DigestHex(canon.Digest(nil, text)); got != p.Digest {
				t.Errorf("%s: protocol %q has the digest %s, want %s", c.Name, p.Protocol.Name, p.Digest, got)
			}
		}
		if len(found) > 0 {
			t.Errorf("%s: %v", c.Name, found)
		}
	}
}

// TestCoverage: the cases show every end reason, trial status, level, verdict, outcome, guard, remark, screening status, tolerance, hand
// procedure, kind of ceiling and of limit, formula, and every indicator in every state that it has.
func TestCoverage(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range load(t) {
		further(seen, &c)
		for _, k := range c.Finding.Capacities {
			seen["end "+string(k.EndReason)] = true
			for _, v := range k.Trials {
				seen["status "+string(v.Status)] = true
				for _, g := range v.Guards {
					seen["guard "+g.Guard] = true
				}
			}
		}
		for _, z := range c.Finding.Zones {
			seen["level "+string(z.Level)] = true
		}
		if j := c.Finding.Job; j != nil {
			seen["outcome "+string(j.Outcome)] = true
			for _, m := range j.Tasks {
				seen["verdict "+string(m.Verdict)] = true
			}
		}
	}
	for _, want := range []string{
		"end volitional", "end effort", "end heart_rate", "end mechanics", "end ceiling", "end symptom", "end administrative", "end incomplete",
		"status accepted", "status failed", "status incomplete", "status closed",
		"level below_sedentary", "level sedentary", "level light", "level medium", "level heavy", "level very_heavy",
		"verdict within", "verdict short", "verdict not_tested",
		"outcome meets", "outcome meets_with_limits", "outcome does_not_meet", "outcome cannot_be_determined",
		"guard symptom", "guard mechanics", "guard heart_rate_work", "guard effort_stop", "guard load_ceiling", "guard acceptability",
		"guard repetitions", "guard rate_limiting_drug", "guard missing_measurement", "guard heart_rate_start", "guard calibration", "guard screening",
		"verdict within_error", "basis measured", "basis projected",
		"screening passed", "screening not_passed", "screening overridden", "screening incomplete", "screening not_limited",
		"ceiling protocol", "ceiling body_mass", "ceiling compression", "limit load", "limit hand", "limit position",
		"tolerance never", "tolerance occasional", "tolerance frequent", "tolerance constant",
		"procedure repeated", "procedure five_positions", "procedure rapid_exchange", "mechanics", "aerobic", "kit",
		"formula fox_1971", "formula tanaka_2001", "formula gellish_2007", "formula gellish_2007_quadratic", "formula gulati_2010_women",
		"formula sydo_2014_men", "formula sydo_2014_women", "formula zhu_2010", "formula beta_blocker",
		"effort_vs_load agrees", "effort_vs_load mixed", "effort_vs_load disagrees", "effort_vs_load not_assessed",
		"heart_rate_vs_load agrees", "heart_rate_vs_load not_assessed", "effort_vs_heart_rate agrees", "effort_vs_heart_rate disagrees",
		"effort_vs_heart_rate not_assessed", "mechanics_near_end agrees", "mechanics_near_end mixed", "mechanics_near_end disagrees",
		"mechanics_near_end not_assessed", "rating_at_equal_load agrees", "rating_at_equal_load mixed", "rating_at_equal_load disagrees",
		"rating_at_equal_load not_assessed", "blinded_retest agrees", "blinded_retest disagrees", "blinded_retest not_assessed",
		"grip_variation agrees", "grip_variation mixed", "grip_positions agrees", "grip_positions mixed", "grip_rapid_exchange disagrees",
		"remark heart_rate_not_trustworthy", "remark screening_overridden", "remark series_incomplete", "remark trial_incomplete",
		"remark continued_after_stop", "remark continued_after_symptom", "remark load_above_ceiling", "remark heart_rate_not_measured",
		"remark effort_not_rated", "remark series_repeated", "remark pace_not_measured", "remark job_zone_not_tested",
		"remark matched_at_harder_pace", "remark screening_not_passed", "remark screening_incomplete", "remark started_above_heart_rate_limit",
		"remark calibration_lapsed", "remark ceiling_not_worked_out", "remark symptom_in_series", "remark failed_within_capacity", "remark symptom_in_further_series", "remark rated_above_observed",
		"remark start_heart_rate_not_checked", "remark pace_projected",
	} {
		if !seen[want] {
			t.Errorf("no case shows %s", want)
		}
	}
}

// further notes what a case shows of the rules 2.
func further(seen map[string]bool, c *golden.Case) {
	f := &c.Finding
	note := func(kind, word string) { seen[kind+" "+word] = true }
	note("screening", string(f.Screening.Status))
	for _, g := range f.Screening.Guards {
		note("guard", g.Guard)
	}
	for _, r := range f.Remarks {
		note("remark", r.Code)
	}
	for _, z := range f.Zones {
		note("basis", string(z.Basis))
	}
	for _, k := range f.Capacities {
		for _, l := range k.Ceilings {
			note("ceiling", string(l.Basis))
		}
		seen["mechanics"] = seen["mechanics"] || k.Mechanics != nil
		seen["aerobic"] = seen["aerobic"] || k.Aerobic != nil
	}
	for _, l := range f.Limits {
		note("limit", string(l.Kind))
	}
	for _, p := range f.Positions {
		note("tolerance", string(p.Tolerance))
	}
	for _, h := range f.Hands {
		note("procedure", string(h.Procedure))
	}
	if f.Consistency != nil {
		for _, i := range f.Consistency.Indicators {
			note(i.Kind, string(i.State))
		}
	}
	for _, p := range c.Input.Protocols {
		if l := p.Protocol.HeartRateLimit; l != nil {
			note("formula", string(l.Formula))
		}
	}
	seen["kit"] = seen["kit"] || len(c.Input.Kits) > 0
}

// TestLoadRefuses: a member that no type knows, a second document, a directory without cases; a plain case is read.
func TestLoadRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		ok   bool
	}{
		"plain":           {`{"name":"a"}`, true},
		"unknown member":  {`{"name":"a","nmae":"b"}`, false},
		"second document": {`{"name":"a"}{}`, false},
		"no case":         {"", false},
	} {
		dir := t.TempDir()
		if c.text != "" {
			if err := os.WriteFile(filepath.Join(dir, "case.json"), []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := golden.Load(dir); (err == nil) != c.ok {
			t.Errorf("%s: %v, want ok %v", name, err, c.ok)
		}
	}
}
