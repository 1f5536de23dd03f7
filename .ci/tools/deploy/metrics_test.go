package deploy

import (
	"encoding/json"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sigs.k8s.io/yaml"
)

// scrapeVariable names the file with what /metrics of a running service answered.
const scrapeVariable = "DEPLOY_TEST_METRICS"

// own are names of metrics in an expression: ours, those of the process and of the Go runtime. Prometheus makes up itself.
var own = regexp.MustCompile(`\b(?:ponderal|process|go)_[a-z0-9_]+\b`)

// exported are the names that the text format shows a value of.
func exported(t *testing.T) map[string]bool {
	t.Helper()
	path := os.Getenv(scrapeVariable)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%s must name a scrape of a running service: %v", scrapeVariable, err)
	}
	names := map[string]bool{}
	for line := range strings.Lines(string(text)) {
		if name := own.FindString(line); name != "" && !strings.HasPrefix(line, "#") {
			names[name] = true
		}
	}
	return names
}

// missing are the metrics that an expression names and the service does not export.
func missing(expression string, exported map[string]bool) []string {
	var none []string
	for _, name := range own.FindAllString(expression, -1) {
		if !exported[name] {
			none = append(none, name)
		}
	}
	return none
}

type rules struct {
	Groups []struct {
		Rules []struct {
			Alert, Expr         string
			Labels, Annotations map[string]string
		}
	}
}

// TestRulesNameExportedMetrics: an alert about a metric that nobody exports never fires.
func TestRulesNameExportedMetrics(t *testing.T) {
	var r rules
	if err := yaml.Unmarshal(read(t, "prometheus/rules.yaml"), &r); err != nil {
		t.Fatal(err)
	}
	tests := string(read(t, "prometheus/rules_test.yaml"))
	have, alerts := exported(t), 0
	for _, g := range r.Groups {
		for _, rule := range g.Rules {
			alerts++
			if none := missing(rule.Expr, have); len(none) > 0 {
				t.Errorf("%s names %v, which the service does not export", rule.Alert, none)
			}
			if rule.Annotations["summary"] == "" || rule.Annotations["action"] == "" || rule.Labels["severity"] == "" {
				t.Errorf("%s says not what is wrong, what to do or how bad it is", rule.Alert)
			}
			if n := strings.Count(tests, "alertname: "+rule.Alert+"\n"); n < 2 {
				t.Errorf("%s is tested %d times, want once firing and once not", rule.Alert, n)
			}
		}
	}
	if alerts == 0 {
		t.Error("there is no alert")
	}
}

// TestDashboardNamesExportedMetrics: likewise each panel. The expressions are written to a file of rules, which promtool then parses.
func TestDashboardNamesExportedMetrics(t *testing.T) {
	var d struct {
		Title  string
		Panels []struct {
			ID      int
			Title   string
			Type    string
			GridPos struct{ H, W, X, Y int }
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(read(t, "prometheus/dashboard.json"), &d); err != nil {
		t.Fatal(err)
	}
	have, ids := exported(t), map[int]bool{}
	recorded := map[string]any{}
	var all []map[string]string
	for _, p := range d.Panels {
		if ids[p.ID] || p.Title == "" || p.GridPos.W == 0 || p.GridPos.X+p.GridPos.W > 24 || (p.Type != "row" && len(p.Targets) == 0) {
			t.Errorf("panel %d %q: its id, title, place or question is wrong", p.ID, p.Title)
		}
		ids[p.ID] = true
		for _, target := range p.Targets {
			if none := missing(target.Expr, have); len(none) > 0 {
				t.Errorf("panel %q names %v, which the service does not export", p.Title, none)
			}
			all = append(all, map[string]string{"record": "dashboard:panel", "expr": strings.ReplaceAll(target.Expr, "$__rate_interval", "5m"),
				"id": ""})
		}
	}
	if len(all) < 10 {
		t.Errorf("only %d expressions", len(all))
	}
	for i, rule := range all {
		delete(rule, "id")
		rule["record"] = "dashboard:panel" + string(rune('a'+i/26)) + string(rune('a'+i%26))
	}
	recorded["groups"] = []any{map[string]any{"name": "dashboard", "rules": all}}
	text, err := yaml.Marshal(recorded)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(os.Getenv(scrapeVariable)+".dashboard.yaml", text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestEveryOwnMetricIsShown: each metric of ours is in an alert or a panel, so that a new one is not forgotten.
func TestEveryOwnMetricIsShown(t *testing.T) {
	text := string(read(t, "prometheus/rules.yaml")) + string(read(t, "prometheus/dashboard.json"))
	for _, name := range slices.Sorted(maps.Keys(exported(t))) {
		if base := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(name, "_sum"), "_count"), "_bucket"); strings.HasPrefix(name, "ponderal_") && !strings.Contains(text, base) {
			t.Errorf("%s is neither in an alert nor in a panel", name)
		}
	}
}

// TestMissing: what is not exported is found, what is, is not.
func TestMissing(t *testing.T) {
	have := map[string]bool{"ponderal_a_total": true}
	if got := missing(`rate(ponderal_a_total[5m]) / ponderal_b{job="ponderal"}`, have); !slices.Equal(got, []string{"ponderal_b"}) {
		t.Errorf("got %v", got)
	}
}
