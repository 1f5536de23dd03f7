package rpc

import (
	"context"
	"errors"
	"strconv"
	"strings"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
)

func analyzeLifting(ctx context.Context, req *pb.AnalyzeLiftingRequest) (deskwork.Lifted, *pb.AnalyzeLiftingResponse, error) {
	r := &reader{}
	in := r.lifting(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Lifted{}, nil, err
	}
	got, err := deskwork.AnalyzeLifting(in)
	if err != nil {
		return deskwork.Lifted{}, nil, err
	}
	w := &writer{}
	resp := &pb.AnalyzeLiftingResponse{
		Form: say(w, liftingForms, got.Form), Duration: say(w, liftingDurations, got.Duration), Unit: say(w, units, got.Unit()),
		Composite: writeIndex(got.Composite, got.WorksheetCLI), Cautions: writeRemarks(got.Cautions),
	}
	for i, part := range got.Parts {
		resp.Tasks = append(resp.Tasks, w.liftingPart(got.Names[i], part))
	}
	resp, err = answered(w, resp)
	return got, resp, err
}

func (r *reader) lifting(m *pb.AnalyzeLiftingRequest) deskwork.Lifting {
	in := deskwork.Lifting{Form: pick(r, liftingForms, m.GetForm(), "form"), First: m.GetDay().GetRecoveryOf_1994()}
	if m.GetDay() == nil {
		in.Duration = pick(r, liftingDurations, m.GetDuration(), "duration")
	}
	for _, p := range m.GetDay().GetPeriods() {
		in.Periods = append(in.Periods, deskwork.WorkPeriod{WorkSeconds: int(p.GetWorkSeconds()), RecoverySeconds: int(p.GetRecoverySeconds())})
	}
	for i, t := range m.GetTasks() {
		in.Tasks = append(in.Tasks, r.liftingTask(t, index("tasks", i)))
	}
	return in
}

func (r *reader) liftingTask(m *pb.LiftingTask, at string) deskwork.LiftingTask {
	t := deskwork.LiftingTask{
		Name: r.line(m.GetName(), at+".name"), Load: r.mass(m.GetLoad(), at+".load"), Maximum: r.massOrNone(m.GetMaximumLoad(), at+".maximum_load"),
		Origin: r.hands(m.GetOrigin(), at+".origin"), Travel: r.lengthOrNone(m.GetTravel(), at+".travel"),
		Rate: r.frequency(m.GetFrequency(), at+".frequency"), SampleSeconds: int(m.GetWorkSecondsIn_15Minutes()),
		Coupling: pick(r, couplings, m.GetCoupling(), at+".coupling"),
	}
	if m.GetDestination() != nil {
		d := r.hands(m.GetDestination(), at+".destination")
		t.Destination = &d
	}
	for i, c := range m.GetConditions() {
		t.Conditions = append(t.Conditions, pick(r, liftingConditions, c, index(at+".conditions", i)))
	}
	return t
}

func (r *reader) hands(m *pb.LiftingHands, at string) deskwork.LiftingHands {
	return deskwork.LiftingHands{
		Horizontal: r.length(m.GetHorizontal(), at+".horizontal"), Vertical: r.length(m.GetVertical(), at+".vertical"),
		Asymmetry: r.angle(m.GetAsymmetryDegrees(), at+".asymmetry_degrees"),
	}
}

// length reads a length that must be there.
func (r *reader) length(m *pb.Length, at string) deskwork.Length {
	var v deskwork.Length
	var err error
	switch value := m.GetValue().(type) {
	case *pb.Length_Inches:
		at += ".inches"
		v, err = deskwork.ParseLength(value.Inches, "in")
	case *pb.Length_Centimetres:
		at += ".centimetres"
		v, err = deskwork.ParseLength(value.Centimetres, "cm")
	default:
		r.bad(at, "length.required", "a length is needed, in inches or centimetres")
	}
	r.measured(err, "length", at)
	return v
}

func (r *reader) lengthOrNone(m *pb.Length, at string) *deskwork.Length {
	if m == nil {
		return nil
	}
	v := r.length(m, at)
	return &v
}

func (r *reader) frequency(m *pb.Frequency, at string) deskwork.Rate {
	var v deskwork.Rate
	var err error
	switch value := m.GetValue().(type) {
	case *pb.Frequency_PerMinute:
		at += ".per_minute"
		v, err = deskwork.ParseRate(value.PerMinute)
	case *pb.Frequency_EverySeconds:
		at += ".every_seconds"
		v, err = deskwork.Every(int(value.EverySeconds))
	default:
		r.bad(at, "frequency.required", "a frequency is needed, per minute or as seconds between two")
	}
	r.measured(err, "frequency", at)
	return v
}

// measured notes the rule that a length or frequency broke.
func (r *reader) measured(err error, kind, at string) {
	var rule *deskwork.MeasureError
	switch {
	case errors.As(err, &rule):
		r.bad(at, kind+"."+string(rule.Rule), strings.TrimPrefix(rule.Error(), "measure: "))
	case err != nil:
		r.bad(at, kind, "the value cannot be read")
	}
}

// angleDecimals are the decimals of an angle: it counts thousandths of a degree.
const angleDecimals = 3

// angle reads thousandths of a degree; empty is none.
func (r *reader) angle(s, at string) deskwork.Angle {
	if s == "" {
		return 0
	}
	degrees, part, _ := strings.Cut(s, ".")
	if degrees == "" || len(part) > angleDecimals || len(degrees) > angleDecimals {
		r.bad(at, "angle", "an angle is a decimal with at most 3 places")
		return 0
	}
	n, err := strconv.ParseUint(degrees+part+strings.Repeat("0", angleDecimals-len(part)), 10, 31)
	if err != nil {
		r.bad(at, "angle", "an angle is a decimal with at most 3 places")
		return 0
	}
	return deskwork.Angle(n)
}

func (w *writer) liftingPart(name string, v deskwork.LiftingTaskResult) *pb.LiftingTaskResult {
	m := &pb.LiftingTaskResult{
		Name: name, Origin: writePoint(v.Analysis.Origin), DestinationGoverns: v.Analysis.DestinationGoverns, Place: w.number(v.Number),
		FrequencyIndependentIndex: &pb.LiftingIndex{Value: v.FILI.Value, Unlimited: v.FILI.Unlimited},
		SingleTaskIndex:           writeIndex(v.STLI, v.WorksheetSTLI),
		Increment:                 &pb.LiftingIndex{Value: v.Increment.Value, Unlimited: v.Increment.Unlimited},
	}
	if v.FIRWLTenths > 0 {
		m.FrequencyIndependentIndex.Worksheet = decimal(v.FILIHundredths, 2)
	}
	if v.Analysis.DestinationAssessed {
		m.Destination = writePoint(v.Analysis.Destination)
	}
	return m
}

func writePoint(p deskwork.LiftingPoint) *pb.LiftingPoint {
	return &pb.LiftingPoint{
		Horizontal: writeMultiplier(p.HM), Vertical: writeMultiplier(p.VM), Distance: writeMultiplier(p.DM), Asymmetry: writeMultiplier(p.AM),
		Frequency: writeMultiplier(p.FM), Coupling: writeMultiplier(p.CM),
		RecommendedWeightLimit:    &pb.LiftingWeight{Value: p.RWL, Worksheet: decimal(p.RWLTenths, 1)},
		FrequencyIndependentLimit: &pb.LiftingWeight{Value: p.FIRWL, Worksheet: decimal(p.FIRWLTenths, 1)},
		LiftingIndex:              writeIndex(p.LI, p.WorksheetLI),
	}
}

func writeMultiplier(m deskwork.LiftingMultiplier) *pb.LiftingMultiplier {
	return &pb.LiftingMultiplier{Value: m.Value, Worksheet: decimal(int64(m.Hundredths), 2)}
}

func writeIndex(full deskwork.LiftingIndex, sheet deskwork.WorksheetIndex) *pb.LiftingIndex {
	m := &pb.LiftingIndex{Value: full.Value, Unlimited: full.Unlimited}
	if !sheet.Unlimited {
		m.Worksheet = decimal(sheet.Tenths, 1)
	}
	return m
}

// decimal writes n units of the last of that many places, n not below zero: 7 with 2 places is 0.07.
func decimal(n int64, places int) string {
	digits := strconv.FormatInt(n, 10)
	if len(digits) <= places {
		digits = strings.Repeat("0", places+1-len(digits)) + digits
	}
	return digits[:len(digits)-places] + "." + digits[len(digits)-places:]
}
