package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
)

func (s sessions) CorrectSession(ctx context.Context, req *pb.CorrectSessionRequest) (*pb.CorrectSessionResponse, error) {
	r := &reader{}
	in := r.partCorrection(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.CorrectSession(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.CorrectSessionResponse{
		Session: w.session(got.Session), Finding: w.finding(got.Finding), Differences: w.differences(got.Differences),
	})
}

// partCorrection reads the one part that a request brings; a request without one is the use case's to refuse.
func (r *reader) partCorrection(m *pb.CorrectSessionRequest) casework.PartCorrection {
	in := casework.PartCorrection{
		SessionID: r.id(m.GetSessionId(), "session_id"), Expected: int(m.GetExpectedRevision()), Reason: r.text(m.GetReason(), "reason"),
	}
	switch part := m.GetPart().(type) {
	case *pb.CorrectSessionRequest_Screening:
		v := r.screening(part.Screening, "screening")
		in.Screening = &v
	case *pb.CorrectSessionRequest_Body:
		in.Body = r.bodyOrNone(part.Body, "body")
	case *pb.CorrectSessionRequest_SeriesEnd_:
		end := part.SeriesEnd
		in.SeriesEnd = &casework.SeriesEnd{
			Series: int(end.GetSeriesNumber()), Stop: pickOrNone(r, stops, end.GetStop(), "series_end.stop"),
			Note: r.text(end.GetStopNote(), "series_end.stop_note"),
		}
	case *pb.CorrectSessionRequest_HandSeries:
		v := r.handSeries(part.HandSeries, "hand_series")
		in.HandSeries = &v
	case *pb.CorrectSessionRequest_PositionSeries:
		v := r.positionSeries(part.PositionSeries, "position_series")
		in.PositionSeries = &v
	}
	return in
}
