package record_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func pounds(n int64) mass.Mass { return mass.FromUnits(n * 45_359_237_000) }

func ptr[T any](v T) *T { return &v }

func at(minute int) record.Time {
	return record.TimeOf(time.Date(2026, 3, 2, 9, minute, 0, 0, time.UTC))
}

// told gives the violations as "field rule"; each must have a text.
func told(t *testing.T, found []fault.Violation) []string {
	t.Helper()
	var out []string
	for _, v := range found {
		if v.Text == "" {
			t.Errorf("%s %s says nothing", v.Field, v.Rule)
		}
		out = append(out, v.Field+" "+v.Rule)
	}
	return out
}

// expect compares violations with "field rule" in order; none wanted means that the rule just does not fire.
func expect(t *testing.T, name string, found []fault.Violation, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, told(t, found)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

// session is a sound session of two series with two trials each.
func session() record.Session {
	trials := func(from int) []record.Trial {
		return []record.Trial{{Number: 1, At: at(from), Load: pounds(10)}, {Number: 2, At: at(from + 1), Load: pounds(20)}}
	}
	return record.Session{
		StartedAt: at(0), EndedAt: at(30),
		Series: []record.Series{{Number: 1, Trials: trials(10)}, {Number: 2, Trials: trials(20)}},
	}
}

func TestCheckSession(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Session)
		want   []string
	}{
		{"sound", func(*record.Session) {}, nil},
		{"ends before it began", func(s *record.Session) { s.Series = s.Series[:1]; s.Series[0].Trials = nil; s.EndedAt = at(-1) }, []string{"session.ended_at session.end"}},
		{"ends as it began", func(s *record.Session) { s.Series = s.Series[:1]; s.Series[0].Trials = nil; s.EndedAt = at(0) }, nil},
		{"no series of any kind", func(s *record.Session) { s.Series = nil }, []string{"session.series session.some_series"}},
		{"hand series alone", func(s *record.Session) { s.Series = nil; s.HandSeries = []record.HandSeries{gripSeries()} }, nil},
		{"position series alone", func(s *record.Session) { s.Series = nil; s.PositionSeries = []record.PositionSeries{standing()} }, nil},
		{"steady heart rate above the highest", func(s *record.Session) {
			s.Series[0].Trials[1].HeartRate, s.Series[0].Trials[1].SteadyHeartRate = ptr(120), ptr(121)
		}, []string{"session.series[0].trials[1].steady_heart_rate_bpm trial.steady_heart_rate"}},
		{"steady heart rate the highest", func(s *record.Session) {
			s.Series[0].Trials[1].HeartRate, s.Series[0].Trials[1].SteadyHeartRate = ptr(120), ptr(120)
		}, nil},
		{"steady heart rate alone", func(s *record.Session) { s.Series[0].Trials[1].SteadyHeartRate = ptr(121) }, nil},
		{"pressures equal", func(s *record.Session) { s.Screening.Systolic, s.Screening.Diastolic = ptr(80), ptr(80) }, []string{"session.screening.diastolic_mmhg screening.pressures"}},
		{"pressures in order", func(s *record.Session) { s.Screening.Systolic, s.Screening.Diastolic = ptr(81), ptr(80) }, nil},
		{"one pressure", func(s *record.Session) { s.Screening.Diastolic = ptr(80) }, nil},
		{"series swapped", func(s *record.Session) { s.Series[0].Number, s.Series[1].Number = 2, 1 }, []string{"session.series[0].number series.order", "session.series[1].number series.order"}},
		{"series number twice", func(s *record.Session) { s.Series[1].Number = 1 }, []string{"session.series[1].number series.order"}},
		{"series number left out", func(s *record.Session) { s.Series[1].Number = 3 }, []string{"session.series[1].number series.order"}},
		{"series before the one before", func(s *record.Session) { s.Series[1].Trials[0].At = at(9) }, []string{"session.series[1].trials[0].at series.time_order"}},
		{"series begin together", func(s *record.Session) { s.Series[1].Trials[0].At = at(10) }, nil},
		{"series interleaved", func(s *record.Session) { s.Series[0].Trials[1].At = at(25) }, nil},
		{"trial number twice", func(s *record.Session) { s.Series[0].Trials[1].Number = 1 }, []string{"session.series[0].trials[1].number trial.order"}},
		{"trials from 0", func(s *record.Session) { s.Series[0].Trials[0].Number = 0 }, []string{"session.series[0].trials[0].number trial.order"}},
		{"trial before the one before", func(s *record.Session) { s.Series[1].Trials[1].At = at(19) }, []string{"session.series[1].trials[1].at trial.time_order"}},
		{"trials at the same moment", func(s *record.Session) { s.Series[1].Trials[1].At = at(20) }, nil},
		{"trial before the session", func(s *record.Session) { s.Series[0].Trials[0].At = at(-1) }, []string{"session.series[0].trials[0].at trial.within_session"}},
		{"trial as the session begins", func(s *record.Session) { s.Series[0].Trials[0].At = at(0) }, nil},
		{"trial after the session", func(s *record.Session) { s.Series[1].Trials[1].At = at(31) }, []string{"session.series[1].trials[1].at trial.within_session"}},
		{"trial as the session ends", func(s *record.Session) { s.Series[1].Trials[1].At = at(30) }, nil},
		{"no load", func(s *record.Session) { s.Series[1].Trials[0].Load = mass.Zero() }, []string{"session.series[1].trials[0].load trial.load_positive"}},
		{"hardly a load", func(s *record.Session) { s.Series[1].Trials[0].Load = mass.FromUnits(1) }, nil},
		{"sign twice", func(s *record.Session) {
			s.Series[0].Trials[1].Signs = []record.MechanicsSign{{Sign: record.SignTwist, Grade: 1}, {Sign: record.SignHeelRise}, {Sign: record.SignTwist, Grade: 2}}
		}, []string{"session.series[0].trials[1].signs[2].sign trial.sign_once"}},
		{"two signs", func(s *record.Session) {
			s.Series[0].Trials[1].Signs = []record.MechanicsSign{{Sign: record.SignTwist}, {Sign: record.SignHeelRise}}
		}, nil},
		{"recipes without a kit, told once", func(s *record.Session) {
			s.Series[0].Trials[0].InsertCodes, s.Series[0].Trials[1].InsertCodes = []string{"A"}, []string{"A"}
		}, []string{"session.series[0].kit_id series.kit_for_recipe"}},
		{"recipe with a kit", func(s *record.Session) {
			s.Series[0].Trials[0].InsertCodes, s.Series[0].KitID = []string{"A"}, "kit"
		}, nil},
	} {
		s := session()
		c.change(&s)
		expect(t, c.name, record.CheckSession(s, "session"), c.want...)
	}
}

func TestCheckTrial(t *testing.T) {
	sound := record.Trial{Number: 2, At: at(1), Load: pounds(10), InsertCodes: []string{"A"}}
	expect(t, "sound", record.CheckTrial(sound, "kit", "trial"))
	expect(t, "recipe without a kit", record.CheckTrial(sound, "", "trial"), "trial.insert_codes series.kit_for_recipe")
	sound.Load, sound.Signs = mass.Zero(), []record.MechanicsSign{{Sign: record.SignTwist}, {Sign: record.SignTwist}}
	expect(t, "no load, sign twice", record.CheckTrial(sound, "kit", "trial"), "trial.load trial.load_positive", "trial.signs[1].sign trial.sign_once")
}

func TestCheckSeriesAgainst(t *testing.T) {
	protocols := map[string]record.Protocol{"d": {Zones: []record.Zone{record.Push, record.Carry}, Pace: record.Frequent}}
	kits := map[string]record.Kit{"kit": {Tote: record.Piece{Code: "T", Mass: pounds(5)}, Inserts: []record.Piece{{Code: "A", Mass: pounds(10)}, {Code: "B", Mass: pounds(10)}}}}
	for _, c := range []struct {
		name   string
		change func(*record.Series)
		want   []string
	}{
		{"sound", func(*record.Series) {}, nil},
		{"protocol not published", func(s *record.Series) { s.ProtocolDigest = "e" }, []string{"s.protocol_digest protocol.published"}},
		{"zone not the protocol's", func(s *record.Series) { s.Zone = record.Pull }, []string{"s.zone protocol.zone"}},
		{"another zone of the protocol", func(s *record.Series) { s.Zone = record.Push }, nil},
		{"pace not the protocol's", func(s *record.Series) { s.Pace = record.Occasional }, []string{"s.pace protocol.pace"}},
		{"kit not known", func(s *record.Series) { s.KitID = "other" }, []string{"s.kit_id kit.known"}},
		{"no kit, no recipe", func(s *record.Series) { s.KitID, s.Trials = "", []record.Trial{{Load: pounds(7)}} }, nil},
		{"no recipe in one trial", func(s *record.Series) { s.Trials = append(s.Trials, record.Trial{Load: pounds(7)}) }, nil},
		{"code not known, no sum demanded", func(s *record.Series) { s.Trials[0].InsertCodes[1] = "C" }, []string{"s.trials[0].insert_codes[1] kit.code_known"}},
		{"the tote is no insert", func(s *record.Series) { s.Trials[0].InsertCodes[0] = "T" }, []string{"s.trials[0].insert_codes[0] kit.code_known"}},
		{"code twice", func(s *record.Series) { s.Trials[0].InsertCodes[1] = "A" }, []string{"s.trials[0].insert_codes[1] trial.insert_once"}},
		{"load is not the sum", func(s *record.Series) { s.Trials[0].Load = pounds(25).Add(mass.FromUnits(1)) }, []string{"s.trials[0].load trial.recipe_sum"}},
		{"load is the inserts alone", func(s *record.Series) { s.Trials[0].Load = pounds(20) }, []string{"s.trials[0].load trial.recipe_sum"}},
		{"one insert", func(s *record.Series) { s.Trials[0].InsertCodes, s.Trials[0].Load = []string{"B"}, pounds(15) }, nil},
	} {
		s := record.Series{Zone: record.Carry, Pace: record.Frequent, ProtocolDigest: "d", KitID: "kit", Trials: []record.Trial{{Load: pounds(25), InsertCodes: []string{"A", "B"}}}}
		c.change(&s)
		expect(t, c.name, record.CheckSeriesAgainst(s, protocols, kits, "s"), c.want...)
	}
}

func TestCheckProtocol(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Protocol)
		want   []string
	}{
		{"sound", func(*record.Protocol) {}, nil},
		{"no start load", func(p *record.Protocol) { p.StartLoad = mass.Zero() }, []string{"p.start_load protocol.load_positive"}},
		{"ceiling below the start", func(p *record.Protocol) { p.LoadCeiling = ptr(pounds(9)) }, []string{"p.load_ceiling protocol.ceiling"}},
		{"ceiling at the start", func(p *record.Protocol) { p.LoadCeiling = ptr(pounds(10)) }, nil},
		{"effort stop half a rating", func(p *record.Protocol) { p.EffortStop = 1 }, []string{"p.effort_stop protocol.effort_stop"}},
		{"effort stop 1", func(p *record.Protocol) { p.EffortStop = 2 }, nil},
		{"effort stop 10", func(p *record.Protocol) { p.EffortStop = 20 }, nil},
		{"effort stop 10.5", func(p *record.Protocol) { p.EffortStop = 21 }, []string{"p.effort_stop protocol.effort_stop"}},
		{"steps from 0.5", func(p *record.Protocol) { p.Steps[0].FromEffort = 1 }, []string{"p.steps[0].from_effort_rating protocol.steps_from_zero"}},
		{"step twice", func(p *record.Protocol) { p.Steps[2].FromEffort = 12 }, []string{"p.steps[2].from_effort_rating protocol.steps_ascending"}},
		{"step half a rating later", func(p *record.Protocol) { p.Steps[2].FromEffort = 13 }, nil},
		{"step before the one before", func(p *record.Protocol) { p.Steps[2].FromEffort = 11 }, []string{"p.steps[2].from_effort_rating protocol.steps_ascending"}},
		{"no increment", func(p *record.Protocol) { p.Steps[1].Increment = mass.Zero() }, []string{"p.steps[1].increment protocol.increment_positive"}},
		{"limit without a form", func(p *record.Protocol) { p.HeartRateLimit = &record.HeartRateLimit{} }, []string{"p.heart_rate_limit protocol.heart_rate_limit"}},
		{"limit of two forms", func(p *record.Protocol) {
			p.HeartRateLimit = &record.HeartRateLimit{BPM: 150, PercentOfPredicted: 85, Formula: record.Fox1971}
		}, []string{"p.heart_rate_limit protocol.heart_rate_limit"}},
		{"beats need no formula", func(p *record.Protocol) { p.HeartRateLimit = &record.HeartRateLimit{BPM: 150} }, nil},
		{"percent of the maximum without a formula", func(p *record.Protocol) { p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85} }, []string{"p.heart_rate_limit.formula protocol.formula"}},
		{"percent of the reserve without a formula", func(p *record.Protocol) { p.HeartRateLimit = &record.HeartRateLimit{PercentOfReserve: 70} }, []string{"p.heart_rate_limit.formula protocol.formula"}},
		{"percent with a formula", func(p *record.Protocol) {
			p.HeartRateLimit = &record.HeartRateLimit{PercentOfReserve: 70, Formula: record.Tanaka2001}
		}, nil},
		{"start limit without a form", func(p *record.Protocol) { p.HeartRateStartLimit = &record.HeartRateLimit{} }, []string{"p.heart_rate_start_limit protocol.heart_rate_limit"}},
		{"start limit in beats", func(p *record.Protocol) { p.HeartRateStartLimit = &record.HeartRateLimit{BPM: 100} }, nil},
		{"back-off of nothing", func(p *record.Protocol) { p.BackOff = ptr(mass.Zero()) }, []string{"p.back_off protocol.back_off_positive"}},
		{"back-off", func(p *record.Protocol) { p.BackOff = ptr(mass.FromUnits(1)) }, nil},
		{"mechanics stop at 1", func(p *record.Protocol) { p.StopMechanicsGrade = 1 }, []string{"p.stop_mechanics_grade protocol.stop_mechanics_grade"}},
		{"mechanics stop at 2", func(p *record.Protocol) { p.StopMechanicsGrade = 2 }, nil},
		{"mechanics stop at 4", func(p *record.Protocol) { p.StopMechanicsGrade = 4 }, []string{"p.stop_mechanics_grade protocol.stop_mechanics_grade"}},
		{"minutes without a pace", func(p *record.Protocol) { p.Minutes = 1 }, []string{"p.minutes protocol.minutes_need_pace"}},
		{"repetitions not the product", func(p *record.Protocol) { p.Minutes, p.LiftsPerMinute, p.Repetitions = 2, 4, 7 }, []string{"p.repetitions protocol.repetitions_by_pace"}},
		{"repetitions the product", func(p *record.Protocol) { p.Minutes, p.LiftsPerMinute, p.Repetitions = 2, 4, 8 }, nil},
		{"pace without minutes", func(p *record.Protocol) { p.LiftsPerMinute, p.Repetitions = 12, 4 }, nil},
		{"screening that limits nothing", func(p *record.Protocol) { p.ScreeningLimits = &record.ScreeningLimits{} }, []string{"p.screening_limits protocol.screening_limits"}},
		{"screening of one number", func(p *record.Protocol) { p.ScreeningLimits = &record.ScreeningLimits{Diastolic: 100} }, nil},
		{"screening limits the wrong way round", func(p *record.Protocol) { p.ScreeningLimits = &record.ScreeningLimits{Systolic: 100, Diastolic: 100} }, []string{"p.screening_limits.diastolic_mmhg protocol.screening_pressures"}},
		{"screening limits", func(p *record.Protocol) { p.ScreeningLimits = &record.ScreeningLimits{Systolic: 101, Diastolic: 100} }, nil},
		{"calibration of no days", func(p *record.Protocol) { p.Calibration = &record.CalibrationLimit{} }, []string{"p.calibration.days protocol.calibration_days"}},
		{"formula of women for men", func(p *record.Protocol) {
			p.AppliesToSex, p.HeartRateLimit = record.Male, &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Gulati2010Women}
		}, []string{"p.heart_rate_limit.formula protocol.formula_sex"}},
		{"formula of men for women, before a trial", func(p *record.Protocol) {
			p.AppliesToSex, p.HeartRateStartLimit = record.Female, &record.HeartRateLimit{PercentOfReserve: 30, Formula: record.Sydo2014Men}
		}, []string{"p.heart_rate_start_limit.formula protocol.formula_sex"}},
		{"formula of women for women", func(p *record.Protocol) {
			p.AppliesToSex, p.HeartRateLimit = record.Female, &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Sydo2014Women}
		}, nil},
		{"formula of women for both", func(p *record.Protocol) {
			p.HeartRateLimit = &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Gulati2010Women}
		}, nil},
		{"formula of both for men", func(p *record.Protocol) {
			p.AppliesToSex, p.HeartRateLimit = record.Male, &record.HeartRateLimit{PercentOfPredicted: 85, Formula: record.Gellish2007}
		}, nil},
		{"compression of pushes and pulls", func(p *record.Protocol) {
			p.Zones, p.Compression = []record.Zone{record.Push, record.Pull}, &record.CompressionLimit{CriterionNewtons: 3400}
		}, []string{"p.compression protocol.compression_zone"}},
		{"compression of pushes and a carry", func(p *record.Protocol) {
			p.Zones, p.Compression = []record.Zone{record.Push, record.Carry}, &record.CompressionLimit{CriterionNewtons: 3400}
		}, nil},
		{"compression of a lift", func(p *record.Protocol) {
			p.Zones, p.Compression = []record.Zone{record.FloorShoulder}, &record.CompressionLimit{CriterionNewtons: 3400}
		}, nil},
		{"standard error of nothing", func(p *record.Protocol) { p.CapacityError = &record.CapacityError{} }, []string{"p.capacity_error.standard_error protocol.capacity_error"}},
		{"hardly a standard error", func(p *record.Protocol) { p.CapacityError = &record.CapacityError{StandardError: mass.FromUnits(1)} }, nil},
		{"standard error of 100 kg", func(p *record.Protocol) { p.CapacityError = &record.CapacityError{StandardError: kilograms(100)} }, nil},
		{"standard error above 100 kg", func(p *record.Protocol) {
			p.CapacityError = &record.CapacityError{StandardError: kilograms(100).Add(mass.FromUnits(1))}
		}, []string{"p.capacity_error.standard_error protocol.capacity_error"}},
		{"calibration of one day", func(p *record.Protocol) { p.Calibration = &record.CalibrationLimit{Days: 1} }, nil},
	} {
		step := func(from record.Effort) record.LoadStep {
			return record.LoadStep{FromEffort: from, Increment: pounds(5)}
		}
		p := record.Protocol{StartLoad: pounds(10), EffortStop: 16, Steps: []record.LoadStep{step(0), step(12), step(14)}}
		c.change(&p)
		expect(t, c.name, record.CheckProtocol(p, "p"), c.want...)
	}
}

// TestOlderProtocolKeepsItsName: what a protocol may have since is left out of its canonical form where it is not set, so that the digest of
// one published before is the same. The text is that of a protocol of the first contract, written out.
func TestOlderProtocolKeepsItsName(t *testing.T) {
	p := record.Protocol{
		Name: "Lift", Zones: []record.Zone{record.FloorWaist}, Pace: record.Occasional, StartLoad: pounds(10),
		Steps: []record.LoadStep{{Increment: pounds(10)}}, Repetitions: 4, RestSeconds: 60, EffortStop: 16, Source: "made up",
	}
	want := `{"effort_stop":8,"name":"Lift","pace":"occasional","repetitions":4,"requires_effort_rating":false,"requires_heart_rate":false,` +
		`"rest_seconds":60,"source":"made up","start_load":{"unit":"lb","value":"10"},` +
		`"steps":[{"from_effort_rating":0,"increment":{"unit":"lb","value":"10"}}],"zones":["floor_waist"]}`
	if got, err := canon.Marshal(p); err != nil || string(got) != want {
		t.Errorf("got  %s, %v\nwant %s", got, err, want)
	}
}

func TestCheckKit(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*record.Kit)
		want   []string
	}{
		{"sound", func(*record.Kit) {}, nil},
		{"insert without mass", func(k *record.Kit) { k.Inserts[1].Mass = mass.Zero() }, []string{"kit.inserts[1].mass kit.mass_positive"}},
		{"tote without mass", func(k *record.Kit) { k.Tote.Mass = mass.Zero() }, []string{"kit.tote.mass kit.mass_positive"}},
		{"insert code twice", func(k *record.Kit) { k.Inserts[1].Code = "A" }, []string{"kit.inserts[1].code kit.code_once"}},
		{"the tote's code on an insert", func(k *record.Kit) { k.Inserts[0].Code = "T" }, []string{"kit.inserts[0].code kit.code_once"}},
		{"29 February of a common year", func(k *record.Kit) { k.Inserts[0].VerifiedOn = "2026-02-29" }, []string{"kit.inserts[0].verified_on date.calendar"}},
		{"29 February of a leap year", func(k *record.Kit) { k.Inserts[0].VerifiedOn = "2024-02-29" }, nil},
		{"month 13", func(k *record.Kit) { k.Tote.VerifiedOn = "2026-13-01" }, []string{"kit.tote.verified_on date.calendar"}},
	} {
		piece := func(code string) record.Piece {
			return record.Piece{Code: code, Mass: pounds(5), VerifiedOn: "2026-01-31"}
		}
		k := record.Kit{Tote: piece("T"), Inserts: []record.Piece{piece("A"), piece("B")}}
		c.change(&k)
		expect(t, c.name, record.CheckKit(k, "kit"), c.want...)
	}
}

func TestCheckClient(t *testing.T) {
	now := record.TimeOf(time.Date(2026, 3, 2, 23, 0, 0, 0, time.UTC))
	for birth, want := range map[string][]string{
		"1986-03-02": nil,
		"2026-03-02": nil,
		"2026-03-03": {"client.birth_date client.birth_not_future"},
		"1905-03-03": nil, // 120 years until tomorrow
		"1905-03-02": {"client.birth_date client.age"},
		"1986-02-30": {"client.birth_date date.calendar"},
		"2000-02-29": nil,
		"1900-02-29": {"client.birth_date date.calendar"}, // 1900 was no leap year
	} {
		expect(t, birth, record.CheckClient(record.Client{BirthDate: birth}, now, "client"), want...)
	}
}

func TestAgeAt(t *testing.T) {
	for _, c := range []struct {
		birth, day string
		years      int
		ok         bool
	}{
		{"1986-03-02", "2026-03-01", 39, true},
		{"1986-03-02", "2026-03-02", 40, true},
		{"1986-12-31", "2026-01-01", 39, true},
		{"2000-02-29", "2026-02-28", 25, true},
		{"2000-02-29", "2026-03-01", 26, true},
		{"2026-03-02", "2026-03-02", 0, true},
		{"2026-03-03", "2026-03-02", -1, false},
		{"1905-03-02", "2026-03-01", 120, true},
		{"1905-03-02", "2026-03-02", 121, false},
		{"2 March 1986", "2026-03-02", 0, false},
	} {
		day, err := time.Parse(time.DateOnly, c.day)
		if err != nil {
			t.Fatal(err)
		}
		if years, ok := record.AgeAt(c.birth, record.TimeOf(day)); years != c.years || ok != c.ok {
			t.Errorf("born %s, on %s: %d %v, want %d %v", c.birth, c.day, years, ok, c.years, c.ok)
		}
	}
}

func TestCheckRelease(t *testing.T) {
	expect(t, "ends later", record.CheckRelease(record.Release{ExpiresAt: at(1)}, at(0), "release"))
	expect(t, "ends now", record.CheckRelease(record.Release{ExpiresAt: at(0)}, at(0), "release"), "release.expires_at release.expires_in_future")
	expect(t, "withdrawn after its end", record.CheckRelease(record.Release{ExpiresAt: at(0), Revoked: true}, at(1), "release"))
}

func TestReadEffort(t *testing.T) {
	for v, want := range map[float64]record.Effort{0: 0, 7.5: 15, 10: 20} {
		if got, found := record.ReadEffort(v, "x"); got != want || found != nil {
			t.Errorf("%v: %d %v, want %d", v, got, found, want)
		}
	}
	for _, v := range []float64{7.25, -0.5, 10.5} {
		_, found := record.ReadEffort(v, "x")
		expect(t, "rating", found, "x effort.halves")
	}
}
