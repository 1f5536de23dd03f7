package rpc

import (
	"context"
	"strconv"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
)

func (engine) GetBodyLimits(ctx context.Context, req *pb.GetBodyLimitsRequest) (*pb.GetBodyLimitsResponse, error) {
	_, resp, err := bodyLimits(ctx, req)
	return resp, err
}

func bodyLimits(ctx context.Context, req *pb.GetBodyLimitsRequest) (deskwork.BodyLimits, *pb.GetBodyLimitsResponse, error) {
	r := &reader{}
	q := r.bodyQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.BodyLimits{}, nil, err
	}
	got, err := deskwork.GetBodyLimits(q)
	if err != nil {
		return deskwork.BodyLimits{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, w.bodyLimits(got))
	return got, resp, err
}

func (r *reader) bodyQuestion(m *pb.GetBodyLimitsRequest) deskwork.BodyQuestion {
	q := deskwork.BodyQuestion{
		Stature: r.length(m.GetStature(), "stature"), Mass: r.mass(m.GetBodyMass(), "body_mass"), Percent: int(m.GetPercentOfBodyMass()),
		CriterionNewtons: int(m.GetModel().GetCriterionNewtons()), MuscleArmMM: int(m.GetModel().GetMuscleArmMm()), Load: r.massOrNone(m.GetLoad(), "load"),
	}
	if f := r.lengthOrNone(m.GetModel().GetForward(), "model.forward"); f != nil {
		q.Forward = *f
		if *f == 0 {
			r.bad("model.forward", "body.hands", "the hands are 0.25 to 1.00 m before the ankles")
		}
	}
	for i, z := range m.GetZones() {
		q.Zones = append(q.Zones, pick(r, zones, z, index("zones", i)))
	}
	return q
}

func (w *writer) bodyLimits(v deskwork.BodyLimits) *pb.GetBodyLimitsResponse {
	m := &pb.GetBodyLimitsResponse{
		Stations: &pb.GetBodyLimitsResponse_Stations{
			Floor: writeLength(v.Stations.Floor), Waist: writeLength(v.Stations.Waist), Shoulder: writeLength(v.Stations.Shoulder),
			Overhead: writeLength(v.Stations.Overhead), HighestGrip: writeLength(v.Stations.HighestGrip),
		},
		CriterionNewtons: w.number(v.CriterionNewtons), MuscleArmMm: w.number(v.MuscleArmMM), Forward: writeLength(v.Forward),
		LeftOut: v.LeftOut, Sources: v.Sources, Cautions: writeRemarks(v.Cautions),
	}
	for _, l := range v.Landmarks {
		m.Landmarks = append(m.Landmarks, &pb.GetBodyLimitsResponse_LandmarkHeight{Landmark: l.Name, Height: writeLength(l.Height)})
	}
	if v.Fraction != nil {
		m.FractionCeiling = &pb.GetBodyLimitsResponse_FractionCeiling{Percent: w.number(v.Percent), Load: w.mass(*v.Fraction), Source: v.FractionSource}
	}
	for _, c := range v.Ceilings {
		m.CompressionCeilings = append(m.CompressionCeilings, w.zoneCeiling(c))
	}
	return m
}

func (w *writer) zoneCeiling(v deskwork.ZoneCeiling) *pb.GetBodyLimitsResponse_CompressionCeiling {
	m := &pb.GetBodyLimitsResponse_CompressionCeiling{Zone: say(w, zones, v.Zone), NotComputed: v.NotComputed}
	if v.NotComputed != "" {
		return m
	}
	m.Load, m.LoadWithin = w.massOrNone(v.Load), v.Within
	m.Empty, m.AtCeiling = writePosture(v.Empty), writePosture(v.AtCeiling)
	for _, e := range v.AtLoad {
		m.AtLoad = append(m.AtLoad, writePosture(e))
	}
	return m
}

func writePosture(e deskwork.PostureEstimate) *pb.GetBodyLimitsResponse_CompressionEstimate {
	return &pb.GetBodyLimitsResponse_CompressionEstimate{
		HandHeight: writeLength(e.At.Height), Forward: writeLength(e.At.Forward), TrunkAngleDegrees: e.TrunkDegrees, HipHeightCm: 100 * e.HipHeight,
		Muscle: e.Forces.Muscle, Compression: e.Forces.Compression, Shear: e.Forces.Shear, Resultant: e.Forces.Resultant,
	}
}

// writeLength is a length exactly, in centimetres.
func writeLength(l deskwork.Length) *pb.Length {
	return &pb.Length{Value: &pb.Length_Centimetres{Centimetres: strconv.FormatFloat(l.In("cm"), 'f', -1, 64)}}
}
