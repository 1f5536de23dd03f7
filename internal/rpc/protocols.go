package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
)

// ProtocolCases are the use cases of protocols.
type ProtocolCases interface {
	PublishProtocol(context.Context, authn.Principal, record.Protocol) (record.Stored[record.NamedProtocol], error)
	GetProtocol(context.Context, authn.Principal, string) (record.Stored[record.NamedProtocol], error)
	ListProtocols(context.Context, authn.Principal, record.Page) (record.List[record.NamedProtocol], error)
}

type protocols struct {
	pb.UnimplementedProtocolServiceServer
	cases ProtocolCases
}

func (s protocols) PublishProtocol(ctx context.Context, req *pb.PublishProtocolRequest) (*pb.PublishProtocolResponse, error) {
	r := &reader{}
	v := r.protocol(req.GetProtocol(), "protocol")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.PublishProtocol(ctx, principalOf(ctx), v)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PublishProtocolResponse{Protocol: w.protocol(stored)})
}

func (s protocols) GetProtocol(ctx context.Context, req *pb.GetProtocolRequest) (*pb.GetProtocolResponse, error) {
	stored, err := s.cases.GetProtocol(ctx, principalOf(ctx), req.GetDigest())
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetProtocolResponse{Protocol: w.protocol(stored)})
}

func (s protocols) ListProtocols(ctx context.Context, req *pb.ListProtocolsRequest) (*pb.ListProtocolsResponse, error) {
	got, err := s.cases.ListProtocols(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListProtocolsResponse{Protocols: list(w, got.Items, (*writer).protocol), NextCursor: got.Next})
}

func (r *reader) protocol(m *pb.Protocol, at string) record.Protocol {
	v := record.Protocol{
		Name: r.line(m.GetName(), at+".name"), Pace: pick(r, paces, m.GetPace(), at+".pace"), StartLoad: r.mass(m.GetStartLoad(), at+".start_load"),
		Repetitions: int(m.GetRepetitions()), RestSeconds: int(m.GetRestSeconds()),
		HeartRateLimit: r.heartRateLimit(m.GetHeartRateLimit(), at+".heart_rate_limit"),
		EffortStop:     r.effort(m.GetEffortStop(), at+".effort_stop"), LoadCeiling: r.massOrNone(m.GetLoadCeiling(), at+".load_ceiling"),
		RequiresHeartRate: m.GetRequiresHeartRate(), RequiresEffortRating: m.GetRequiresEffortRating(), Source: r.text(m.GetSource(), at+".source"),
		RepetitionIs: pickOrNone(r, repetitionKinds, m.GetRepetitionIs(), at+".repetition_is"), LiftsPerMinute: int(m.GetLiftsPerMinute()),
		Minutes: int(m.GetMinutes()), HeartRateStartLimit: r.heartRateLimit(m.GetHeartRateStartLimit(), at+".heart_rate_start_limit"),
		BackOff: r.massOrNone(m.GetBackOff(), at+".back_off"), StopMechanicsGrade: int(m.GetStopMechanicsGrade()),
		PercentOfBodyMass: int(m.GetPercentOfBodyMass()), AppliesToSex: pickOrNone(r, sexes, m.GetAppliesToSex(), at+".applies_to_sex"),
		MaxTrials: int(m.GetMaxTrials()), RequiresMorePossible: m.GetRequiresMorePossible(),
		CapacityError: r.capacityError(m.GetCapacityError(), at+".capacity_error"),
	}
	if l := m.GetCompression(); l != nil {
		v.Compression = &record.CompressionLimit{
			CriterionNewtons: int(l.GetCriterionNewtons()), MuscleArmMM: int(l.GetMuscleArmMm()), ForwardMM: int(l.GetForwardMm()),
		}
	}
	if l := m.GetScreeningLimits(); l != nil {
		v.ScreeningLimits = &record.ScreeningLimits{
			RestingHeartRate: int(l.GetRestingHeartRateBpm()), Systolic: int(l.GetSystolicMmhg()), Diastolic: int(l.GetDiastolicMmhg()),
		}
	}
	if l := m.GetCalibration(); l != nil {
		v.Calibration = &record.CalibrationLimit{Days: int(l.GetDays()), Block: l.GetBlock()}
	}
	for i, z := range m.GetZones() {
		v.Zones = append(v.Zones, pick(r, zones, z, index(at+".zones", i)))
	}
	for i, s := range m.GetSteps() {
		here := index(at+".steps", i)
		v.Steps = append(v.Steps, record.LoadStep{
			FromEffort: r.effort(s.GetFromEffortRating(), here+".from_effort_rating"), Increment: r.mass(s.GetIncrement(), here+".increment"),
		})
	}
	return v
}

func (r *reader) capacityError(m *pb.CapacityError, at string) *record.CapacityError {
	if m == nil {
		return nil
	}
	return &record.CapacityError{StandardError: r.mass(m.GetStandardError(), at+".standard_error"), Source: r.text(m.GetSource(), at+".source")}
}

func (r *reader) heartRateLimit(m *pb.HeartRateLimit, at string) *record.HeartRateLimit {
	if m == nil {
		return nil
	}
	return &record.HeartRateLimit{
		BPM: int(m.GetBpm()), PercentOfPredicted: int(m.GetPercentOfPredictedMaximum()), PercentOfReserve: int(m.GetPercentOfReserve()),
		Formula: pickOrNone(r, formulae, m.GetFormula(), at+".formula"),
	}
}

func (w *writer) protocol(s record.Stored[record.NamedProtocol]) *pb.PublishedProtocol {
	return &pb.PublishedProtocol{Digest: s.Value.Digest, Protocol: w.protocolBody(s.Value.Protocol), Revision: w.revision(s.Revision)}
}

func (w *writer) protocolBody(v record.Protocol) *pb.Protocol {
	m := &pb.Protocol{
		Name: v.Name, Pace: say(w, paces, v.Pace), StartLoad: w.mass(v.StartLoad), Repetitions: w.number(v.Repetitions),
		RestSeconds: w.number(v.RestSeconds), HeartRateLimit: w.heartRateLimit(v.HeartRateLimit), EffortStop: v.EffortStop.Float(),
		LoadCeiling: w.massOrNone(v.LoadCeiling), RequiresHeartRate: v.RequiresHeartRate,
		RequiresEffortRating: v.RequiresEffortRating, Source: v.Source,
		RepetitionIs: sayOrNone(w, repetitionKinds, v.RepetitionIs), LiftsPerMinute: w.number(v.LiftsPerMinute), Minutes: w.number(v.Minutes),
		HeartRateStartLimit: w.heartRateLimit(v.HeartRateStartLimit), BackOff: w.massOrNone(v.BackOff),
		StopMechanicsGrade: w.number(v.StopMechanicsGrade), PercentOfBodyMass: w.number(v.PercentOfBodyMass),
		AppliesToSex: sayOrNone(w, sexes, v.AppliesToSex), MaxTrials: w.number(v.MaxTrials), RequiresMorePossible: v.RequiresMorePossible,
	}
	if l := v.ScreeningLimits; l != nil {
		m.ScreeningLimits = &pb.ScreeningLimits{
			RestingHeartRateBpm: w.number(l.RestingHeartRate), SystolicMmhg: w.number(l.Systolic), DiastolicMmhg: w.number(l.Diastolic),
		}
	}
	if l := v.Calibration; l != nil {
		m.Calibration = &pb.CalibrationLimit{Days: w.number(l.Days), Block: l.Block}
	}
	if l := v.Compression; l != nil {
		m.Compression = &pb.CompressionLimit{
			CriterionNewtons: w.number(l.CriterionNewtons), MuscleArmMm: w.number(l.MuscleArmMM), ForwardMm: w.number(l.ForwardMM),
		}
	}
	if e := v.CapacityError; e != nil {
		m.CapacityError = &pb.CapacityError{StandardError: w.mass(e.StandardError), Source: e.Source}
	}
	for _, z := range v.Zones {
		m.Zones = append(m.Zones, say(w, zones, z))
	}
	for _, step := range v.Steps {
		m.Steps = append(m.Steps, &pb.LoadStep{FromEffortRating: step.FromEffort.Float(), Increment: w.mass(step.Increment)})
	}
	return m
}

// heartRateLimit writes the one form that is set.
func (w *writer) heartRateLimit(l *record.HeartRateLimit) *pb.HeartRateLimit {
	if l == nil {
		return nil
	}
	m := &pb.HeartRateLimit{Formula: sayOrNone(w, formulae, l.Formula)}
	switch {
	case l.BPM != 0:
		m.Limit = &pb.HeartRateLimit_Bpm{Bpm: w.number(l.BPM)}
	case l.PercentOfPredicted != 0:
		m.Limit = &pb.HeartRateLimit_PercentOfPredictedMaximum{PercentOfPredictedMaximum: w.number(l.PercentOfPredicted)}
	case l.PercentOfReserve != 0:
		m.Limit = &pb.HeartRateLimit_PercentOfReserve{PercentOfReserve: w.number(l.PercentOfReserve)}
	default:
		w.fail("a heart-rate limit has none of its forms")
	}
	return m
}
