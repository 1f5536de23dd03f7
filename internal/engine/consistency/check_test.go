package consistency

import (
	"math"
	"strings"
	"testing"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

func TestRules(t *testing.T) {
	good := DefaultSettings()
	rated := func(effort, hr, grade int) []record.Series {
		return []record.Series{series(1, row{10, effort, hr, grade})}
	}
	twice := series(1, row{10, 1, 60, 0}, row{20, 1, 60, 0})
	twice.Trials[1].Number = 1
	for name, c := range map[string]struct {
		in   Input
		want string
	}{
		"nothing":           {Input{Settings: good}, ""},
		"bounds":            {Input{Series: rated(20, 300, 3), Settings: good}, ""},
		"low bounds":        {Input{Series: rated(0, 20, 0), Settings: good}, ""},
		"effort":            {Input{Series: rated(21, 300, 3), Settings: good}, "series[0].trials[0].effort_rating consistency.effort"},
		"heart rate high":   {Input{Series: rated(20, 301, 3), Settings: good}, "series[0].trials[0].heart_rate consistency.heart_rate"},
		"heart rate low":    {Input{Series: rated(20, 19, 3), Settings: good}, "series[0].trials[0].heart_rate consistency.heart_rate"},
		"grade":             {Input{Series: rated(20, 60, 4), Settings: good}, "series[0].trials[0].signs[0].grade consistency.grade"},
		"load":              {Input{Series: []record.Series{series(1, row{0, 1, 60, 0})}, Settings: good}, "series[0].trials[0].load consistency.load"},
		"series twice":      {Input{Series: []record.Series{series(1), series(1)}, Settings: good}, "series[1].number consistency.number_once"},
		"trial twice":       {Input{Series: []record.Series{twice}, Settings: good}, "series[0].trials[1].number consistency.number_once"},
		"100 series":        {Input{Series: many(100), Settings: good}, ""},
		"101 series":        {Input{Series: many(101), Settings: good}, "series consistency.count"},
		"500 trials":        {Input{Series: []record.Series{series(1, long(500)...)}, Settings: good}, ""},
		"501 trials":        {Input{Series: []record.Series{series(1, long(501)...)}, Settings: good}, "series[0].trials consistency.count"},
		"101 retests":       {Input{Retests: make([]Retest, 101), Settings: good}, "retests consistency.count"},
		"101 grip tests":    {Input{Grip: make([]GripTest, 101), Settings: good}, "grip consistency.count"},
		"p at bounds":       {Input{Settings: Settings{0.001, 0, 0, 1}}, ""},
		"p at other bounds": {Input{Settings: Settings{0.2, 20, 20, 5}}, ""},
		"no settings":       {Input{}, "settings.p consistency.settings,settings.last_trials consistency.settings"},
		"settings":          {Input{Settings: Settings{0.21, 3, 2, 6}}, "settings.p consistency.settings,settings.shift consistency.settings,settings.last_trials consistency.settings"},
		"two forms":         {Input{Error: &MeasurementError{1, 1, 0.5, "s"}, Settings: good}, "measurement_error consistency.measurement_error"},
		"no form":           {Input{Error: &MeasurementError{0, 0, 0, "s"}, Settings: good}, "measurement_error consistency.measurement_error"},
		"no source":         {Input{Error: &MeasurementError{1, 0, 0, ""}, Settings: good}, "measurement_error.source consistency.measurement_error"},
		"sem":               {Input{Error: &MeasurementError{math.NaN(), 0, 0, "s"}, Settings: good}, "measurement_error.sem_kilograms consistency.measurement_error"},
		"sem at bound":      {Input{Error: &MeasurementError{100, 0, 0, "s"}, Settings: good}, ""},
		"sem above":         {Input{Error: &MeasurementError{100.1, 0, 0, "s"}, Settings: good}, "measurement_error.sem_kilograms consistency.measurement_error"},
		"icc":               {Input{Error: &MeasurementError{0, 5, 1.1, "s"}, Settings: good}, "measurement_error.icc consistency.measurement_error"},
		"icc of 1":          {Input{Error: &MeasurementError{0, 5, 1, "s"}, Settings: good}, ""},
		"sd":                {Input{Error: &MeasurementError{0, -5, 0.9, "s"}, Settings: good}, "measurement_error.sd_kilograms consistency.measurement_error"},
		"retest":            {Input{Retests: []Retest{{First: 1, Second: 2, FirstLoad: mass.FromUnits(1)}}, Settings: good}, "retests[0].second_load consistency.load"},
		"retest of itself":  {Input{Retests: []Retest{{First: 2, Second: 2, FirstLoad: mass.FromUnits(1), SecondLoad: mass.FromUnits(1)}}, Settings: good}, "retests[0].second consistency.retest"},
		"mass at bound":     {Input{SEM: massOf(maxSEM), SEMSource: "s", Settings: good}, ""},
		"mass above":        {Input{SEM: massOf(maxSEM + 1), SEMSource: "s", Settings: good}, "measurement_error.sem consistency.measurement_error"},
		"mass of nothing":   {Input{SEM: massOf(0), SEMSource: "s", Settings: good}, "measurement_error.sem consistency.measurement_error"},
		"mass, no source":   {Input{SEM: massOf(1), Settings: good}, "measurement_error.source consistency.measurement_error"},
		"mass and figures":  {Input{SEM: massOf(1), SEMSource: "s", Error: &MeasurementError{1, 0, 0, "s"}, Settings: good}, "measurement_error consistency.measurement_error"},
	} {
		_, err := Assess(c.in)
		if got := strings.Join(rules(err), ","); got != c.want || (err == nil) != (c.want == "") {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func massOf(units int64) *mass.Mass {
	m := mass.FromUnits(units)
	return &m
}

func many(n int) []record.Series {
	var out []record.Series
	for i := range n {
		out = append(out, series(i+1))
	}
	return out
}

func long(n int) []row {
	var out []row
	for i := range n {
		out = append(out, row{1 + i, i % 21, 60 + i%100, 0})
	}
	return out
}
