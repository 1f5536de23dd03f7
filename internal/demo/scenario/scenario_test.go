package scenario_test

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/scenario"
)

var date = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

// seeds are the days that the properties are checked on.
var seeds = []uint64{1, 2, 3, 42, 20260302}

// messages lists everything of a day, sessions bound to made-up digests.
func messages(t *testing.T, day *scenario.Day) []proto.Message {
	t.Helper()
	all := []proto.Message{day.Payer}
	for _, c := range day.Clinics {
		all = append(all, c.Clinic, c.Kit)
		digests := map[string]string{}
		for _, p := range c.Protocols {
			all = append(all, p)
			digests[p.Name] = strings.Repeat("ab", 32)
		}
		for _, j := range c.Jobs {
			all = append(all, j)
		}
		for _, m := range c.Members() {
			all = append(all, m)
		}
		for _, v := range c.Visits {
			if missing, ok := v.Bind(digests); !ok {
				t.Fatalf("a series names the protocol %q, which the clinic does not have", missing)
			}
			all = append(all, v.Client, v.Referral, v.Session)
			if v.Release != nil {
				all = append(all, v.Release)
			}
		}
	}
	return all
}

func TestSameSeedSameDay(t *testing.T) {
	a, b := messages(t, scenario.New(7, date)), messages(t, scenario.New(7, date))
	if diff := cmp.Diff(a, b, protocmp.Transform()); diff != "" {
		t.Errorf("the same seed gave two days (-first +second):\n%s", diff)
	}
	other := messages(t, scenario.New(8, date))
	if cmp.Equal(a, other, protocmp.Transform()) {
		t.Error("another seed gave the same day")
	}
}

func TestEveryMessageKeepsTheFieldRules(t *testing.T) {
	for _, seed := range seeds[:2] {
		for _, m := range messages(t, scenario.New(seed, date)) {
			if err := protovalidate.Validate(m); err != nil {
				t.Errorf("seed %d: %s: %v", seed, m.ProtoReflect().Descriptor().Name(), err)
			}
		}
	}
}

func TestIDsAreUniqueVersion7(t *testing.T) {
	seen := map[string]bool{}
	for _, m := range messages(t, scenario.New(1, date)) {
		field := m.ProtoReflect().Descriptor().Fields().ByName("id")
		if field == nil {
			continue
		}
		id := m.ProtoReflect().Get(field).String()
		u, err := uuid.Parse(id)
		if err != nil || u.Version() != 7 || u.Variant() != uuid.RFC4122 {
			t.Errorf("%s is not a UUIDv7: %v", id, err)
		}
		if seen[id] {
			t.Errorf("%s stands twice", id)
		}
		seen[id] = true
	}
}

func TestSizeOfTheDay(t *testing.T) {
	day := scenario.New(1, date)
	units := map[ponderalv1.Unit]int{}
	// Wide tables show people by initial and family name.
	sessions, incomplete, unreleased, names := 0, 0, 0, map[string]bool{}
	for _, c := range day.Clinics {
		units[c.Clinic.DisplayUnit]++
		for _, v := range c.Visits {
			sessions++
			names[v.Client.GivenName[:1]+". "+v.Client.FamilyName] = true
			if len(v.Session.Series) != scenario.SeriesPerVisit {
				t.Errorf("session %s: %d series, want %d", v.Session.Id, len(v.Session.Series), scenario.SeriesPerVisit)
			}
			if !v.Complete() {
				incomplete++
			}
			if v.Release == nil {
				unreleased++
			}
		}
	}
	if units[ponderalv1.Unit_UNIT_LB] != 2 || units[ponderalv1.Unit_UNIT_KG] != 1 {
		t.Errorf("clinics by unit: %v, want two in lb and one in kg", units)
	}
	if sessions < 24 || incomplete != 1 || unreleased != 1 || len(names) != sessions {
		t.Errorf("%d sessions of %d people, %d incomplete, %d not released; want at least 24, a person each, 1, 1", sessions, len(names), incomplete, unreleased)
	}
}

func TestEveryEndReasonComesUp(t *testing.T) {
	for _, seed := range seeds {
		seen := map[ponderalv1.EndReason]int{}
		eachSeries(scenario.New(seed, date), func(v *scenario.Visit, i int, s *ponderalv1.Series) { seen[v.Ends[i]]++ })
		for number := range ponderalv1.EndReason_name {
			end := ponderalv1.EndReason(number)
			if end != ponderalv1.EndReason_END_REASON_UNSPECIFIED && seen[end] == 0 {
				t.Errorf("seed %d: no series ends by %v", seed, end)
			}
		}
		if rest := seen[ponderalv1.EndReason_END_REASON_VOLITIONAL]; rest < 60 {
			t.Errorf("seed %d: %d series end as the client wants, want most", seed, rest)
		}
	}
}

// TestNumbersBehave: within a series the load rises with every trial, effort and heart rate rise with it, and a drug that limits the heart
// rate keeps it flat. The expected direction is the trade's; the thresholds are those of the model.
func TestNumbersBehave(t *testing.T) {
	for _, seed := range seeds {
		var efforts, hearts []float64
		eachSeries(scenario.New(seed, date), func(v *scenario.Visit, i int, s *ponderalv1.Series) {
			loads, effort, heart := columns(t, s)
			for k := 1; k < len(loads); k++ {
				if loads[k] <= loads[k-1] {
					t.Errorf("seed %d: series %d: load %v after %v", seed, i+1, loads[k], loads[k-1])
				}
			}
			efforts = append(efforts, rankCorrelation(loads, effort))
			if !v.Session.Screening.RateLimitingDrug {
				hearts = append(hearts, rankCorrelation(loads, heart))
			} else if spread := slices.Max(heart) - slices.Min(heart); spread > 6 {
				t.Errorf("seed %d: under a rate-limiting drug the heart rate spreads over %v beats, want a flat one", seed, spread)
			}
		})
		if low, mid := slices.Min(efforts), mean(efforts); low <= 0 || mid < 0.9 {
			t.Errorf("seed %d: rank correlation of effort with load: lowest %.2f, mean %.2f", seed, low, mid)
		}
		if low, mid := slices.Min(hearts), mean(hearts); low <= 0 || mid < 0.85 {
			t.Errorf("seed %d: rank correlation of heart rate with load: lowest %.2f, mean %.2f", seed, low, mid)
		}
	}
}

// TestMostStopAtSixOrSeven: most clients stop at 6 or 7 (common practice, no source).
func TestMostStopAtSixOrSeven(t *testing.T) {
	for _, seed := range seeds {
		stopped, usual := 0, 0
		eachSeries(scenario.New(seed, date), func(v *scenario.Visit, i int, s *ponderalv1.Series) {
			if v.Ends[i] != ponderalv1.EndReason_END_REASON_VOLITIONAL {
				return
			}
			stopped++
			last := s.Trials[len(s.Trials)-1].GetEffortRating()
			if last >= 8 {
				t.Errorf("seed %d: a client stops at effort %v, where the protocol would have", seed, last)
			}
			if last >= 5.5 && last <= 7 {
				usual++
			}
		})
		if usual*10 < stopped*7 {
			t.Errorf("seed %d: %d of %d stop at 5.5 to 7, want most", seed, usual, stopped)
		}
	}
}

// TestRecipesAddUp: the inserts and the tote weigh exactly the load, and no insert is used twice in a trial.
func TestRecipesAddUp(t *testing.T) {
	blinded := 0
	for _, c := range scenario.New(1, date).Clinics {
		masses := map[string]int{}
		for _, p := range c.Kit.Inserts {
			masses[p.Code] = milli(t, p.Mass.Value)
		}
		if len(masses) != len(c.Kit.Inserts) || masses[c.Kit.Tote.Code] != 0 {
			t.Fatalf("kit %s: codes are not unique", c.Kit.Id)
		}
		for _, v := range c.Visits {
			for _, s := range v.Session.Series {
				for _, trial := range s.Trials {
					if trial.Blinded {
						blinded++
					}
					if s.KitId == "" {
						continue
					}
					sum := milli(t, c.Kit.Tote.Mass.Value)
					for _, code := range trial.InsertCodes {
						if masses[code] == 0 {
							t.Fatalf("code %s is not in the kit", code)
						}
						sum += masses[code]
					}
					if want := milli(t, trial.Load.Value); sum != want {
						t.Errorf("recipe %v and the tote make %d, load is %d", trial.InsertCodes, sum, want)
					}
					if len(slices.Compact(slices.Clone(trial.InsertCodes))) != len(trial.InsertCodes) {
						t.Errorf("recipe %v uses an insert twice", trial.InsertCodes)
					}
				}
			}
		}
	}
	if blinded == 0 {
		t.Error("no trial is blinded")
	}
}

// TestTimesAreInOrder: trials follow each other with the protocol's rest, inside the session, which is inside the day.
func TestTimesAreInOrder(t *testing.T) {
	day := scenario.New(1, date)
	for _, c := range day.Clinics {
		busy := map[string]time.Time{}
		for _, v := range c.Visits {
			s, at := v.Session, v.Session.StartedAt.AsTime()
			if at.Before(busy[s.EvaluatorId]) {
				t.Errorf("session %s begins while its evaluator is with another client", s.Id)
			}
			for _, series := range s.Series {
				for k, trial := range series.Trials {
					gap := trial.At.AsTime().Sub(at)
					if gap <= 0 || k > 0 && gap < time.Minute {
						t.Errorf("session %s: series %d trial %d comes %v after the one before", s.Id, series.Number, trial.Number, gap)
					}
					at = trial.At.AsTime()
				}
			}
			if s.EndedAt.AsTime().Before(at) || s.EndedAt.AsTime().After(day.Date.Add(24*time.Hour)) {
				t.Errorf("session %s ends at %v", s.Id, s.EndedAt.AsTime())
			}
			busy[s.EvaluatorId] = s.EndedAt.AsTime()
		}
	}
}

// TestBindWantsEveryProtocol: a name without a digest is reported.
func TestBindWantsEveryProtocol(t *testing.T) {
	v := scenario.New(1, date).Clinics[0].Visits[0]
	if missing, ok := v.Bind(map[string]string{}); ok || missing != v.ProtocolName(0) {
		t.Errorf("Bind without digests: %q, %v; want the name of the first protocol", missing, ok)
	}
}

func eachSeries(day *scenario.Day, visit func(v *scenario.Visit, i int, s *ponderalv1.Series)) {
	for _, c := range day.Clinics {
		for _, v := range c.Visits {
			for i, s := range v.Session.Series {
				visit(v, i, s)
			}
		}
	}
}

func columns(t *testing.T, s *ponderalv1.Series) (loads, effort, heart []float64) {
	t.Helper()
	for _, trial := range s.Trials {
		if trial.EffortRating == nil {
			continue
		}
		loads = append(loads, float64(milli(t, trial.Load.Value)))
		effort = append(effort, trial.GetEffortRating())
		heart = append(heart, float64(trial.GetHeartRateBpm()))
	}
	if len(loads) < 3 {
		t.Fatalf("series %d has %d trials, want at least 3", s.Number, len(loads))
	}
	return loads, effort, heart
}

func milli(t *testing.T, value string) int {
	t.Helper()
	f, err := strconv.ParseFloat(value, 64)
	if err != nil {
		t.Fatalf("mass %q: %v", value, err)
	}
	return int(math.Round(f * 1000))
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// rankCorrelation is Spearman's: the product-moment correlation of the ranks, ties sharing their mean rank.
func rankCorrelation(x, y []float64) float64 {
	a, b := ranks(x), ranks(y)
	ma, mb := mean(a), mean(b)
	var sab, saa, sbb float64
	for i := range a {
		sab += (a[i] - ma) * (b[i] - mb)
		saa += (a[i] - ma) * (a[i] - ma)
		sbb += (b[i] - mb) * (b[i] - mb)
	}
	return sab / math.Sqrt(saa*sbb)
}

func ranks(v []float64) []float64 {
	r := make([]float64, len(v))
	for i := range v {
		below, same := 0, 0
		for j := range v {
			switch {
			case v[j] < v[i]:
				below++
			case v[j] == v[i]:
				same++
			}
		}
		r[i] = float64(below) + float64(same+1)/2
	}
	return r
}
