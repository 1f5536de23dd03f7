package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// SessionCases are the use cases of sessions. Revision 0 is the newest.
type SessionCases interface {
	PushSession(context.Context, authn.Principal, record.Session) (casework.Pushed, error)
	GetSession(ctx context.Context, p authn.Principal, id string, revision int) (record.Stored[record.Session], error)
	ListSessions(context.Context, authn.Principal, record.Page) (record.List[record.Session], error)
	CorrectTrial(context.Context, authn.Principal, casework.Correction) (casework.Corrected, error)
	CorrectSession(context.Context, authn.Principal, casework.PartCorrection) (casework.Corrected, error)
	RescoreSession(ctx context.Context, p authn.Principal, in casework.Rescoring) (casework.Corrected, error)
}

type sessions struct {
	pb.UnimplementedSessionServiceServer
	cases SessionCases
}

func (s sessions) PushSession(ctx context.Context, req *pb.PushSessionRequest) (*pb.PushSessionResponse, error) {
	r, p := &reader{}, principalOf(ctx)
	v := r.session(req.GetSession(), "session")
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	if v.ClinicID != "" && v.ClinicID != p.ClinicID {
		return nil, fault.New(fault.Denied, "OTHER_CLINIC", "the session names another clinic than the credential's")
	}
	v.ClinicID = p.ClinicID
	got, err := s.cases.PushSession(ctx, p, v)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, w.pushed(got))
}

func (s sessions) GetSession(ctx context.Context, req *pb.GetSessionRequest) (*pb.GetSessionResponse, error) {
	stored, err := s.cases.GetSession(ctx, principalOf(ctx), lower(req.GetId()), int(req.GetRevision()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetSessionResponse{Session: w.session(stored)})
}

func (s sessions) ListSessions(ctx context.Context, req *pb.ListSessionsRequest) (*pb.ListSessionsResponse, error) {
	got, err := s.cases.ListSessions(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListSessionsResponse{
		Sessions: list(w, got.Items, (*writer).session), NextCursor: got.Next, SyncCursor: casework.CursorAfter(got.Items, req.GetPage().GetCursor()),
	})
}

func (s sessions) CorrectTrial(ctx context.Context, req *pb.CorrectTrialRequest) (*pb.CorrectTrialResponse, error) {
	r := &reader{}
	in := r.correction(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.CorrectTrial(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.CorrectTrialResponse{
		Session: w.session(got.Session), Finding: w.finding(got.Finding), Differences: w.differences(got.Differences),
	})
}

func (s sessions) RescoreSession(ctx context.Context, req *pb.RescoreSessionRequest) (*pb.RescoreSessionResponse, error) {
	r := &reader{}
	in := casework.Rescoring{
		SessionID: r.id(req.GetSessionId(), "session_id"), Expected: int(req.GetExpectedRevision()), Reason: r.text(req.GetReason(), "reason"),
	}
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.RescoreSession(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.RescoreSessionResponse{
		Session: w.session(got.Session), Finding: w.finding(got.Finding), Differences: w.differences(got.Differences),
	})
}

func (r *reader) correction(m *pb.CorrectTrialRequest) casework.Correction {
	return casework.Correction{
		SessionID: r.id(m.GetSessionId(), "session_id"), Series: int(m.GetSeriesNumber()), Trial: r.trial(m.GetTrial(), "trial"),
		Expected: int(m.GetExpectedRevision()), Reason: r.text(m.GetReason(), "reason"),
	}
}

func (r *reader) session(m *pb.Session, at string) record.Session {
	v := record.Session{
		ID: r.id(m.GetId(), at+".id"), ClinicID: r.id(m.GetClinicId(), at+".clinic_id"), ReferralID: r.id(m.GetReferralId(), at+".referral_id"), EvaluatorID: r.id(m.GetEvaluatorId(), at+".evaluator_id"),
		StartedAt: r.time(m.GetStartedAt(), at+".started_at"), EndedAt: r.time(m.GetEndedAt(), at+".ended_at"),
		Screening: r.screening(m.GetScreening(), at+".screening"), Series: make([]record.Series, 0, len(m.GetSeries())),
	}
	for i, s := range m.GetSeries() {
		v.Series = append(v.Series, r.series(s, index(at+".series", i)))
	}
	v.Body = r.bodyOrNone(m.GetBody(), at+".body")
	for i, s := range m.GetHandSeries() {
		v.HandSeries = append(v.HandSeries, r.handSeries(s, index(at+".hand_series", i)))
	}
	for i, s := range m.GetPositionSeries() {
		v.PositionSeries = append(v.PositionSeries, r.positionSeries(s, index(at+".position_series", i)))
	}
	return v
}

func (r *reader) screening(m *pb.Screening, at string) record.Screening {
	if m == nil {
		return record.Screening{}
	}
	return record.Screening{
		RestingHeartRate: whole(m.RestingHeartRateBpm), Systolic: whole(m.SystolicMmhg), Diastolic: whole(m.DiastolicMmhg),
		RateLimitingDrug: m.GetRateLimitingDrug(), OverrideReason: r.text(m.GetOverrideReason(), at+".override_reason"),
		Symptoms: r.symptoms(m.GetSymptoms(), at+".symptoms"), OverrideBy: r.id(m.GetOverrideBy(), at+".override_by"),
	}
}

func (r *reader) series(m *pb.Series, at string) record.Series {
	v := record.Series{
		Number: int(m.GetNumber()), Zone: pick(r, zones, m.GetZone(), at+".zone"), Pace: pick(r, paces, m.GetPace(), at+".pace"),
		ProtocolDigest: m.GetProtocolDigest(), KitID: r.id(m.GetKitId(), at+".kit_id"), Stop: pickOrNone(r, stops, m.GetStop(), at+".stop"),
		StopNote: r.text(m.GetStopNote(), at+".stop_note"), Trials: make([]record.Trial, 0, len(m.GetTrials())),
	}
	for i, t := range m.GetTrials() {
		v.Trials = append(v.Trials, r.trial(t, index(at+".trials", i)))
	}
	return v
}

func (r *reader) trial(m *pb.Trial, at string) record.Trial {
	if m == nil {
		r.bad(at, "trial.required", "a trial is needed")
		return record.Trial{}
	}
	v := record.Trial{
		Number: int(m.GetNumber()), At: r.time(m.GetAt(), at+".at"), Load: r.mass(m.GetLoad(), at+".load"),
		InsertCodes: m.GetInsertCodes(), Repetitions: int(m.GetRepetitions()), HeartRate: whole(m.HeartRateBpm),
		Sustainable: m.Sustainable, MorePossible: m.MorePossible, Blinded: m.GetBlinded(),
		ClosedReason: r.text(m.GetClosedReason(), at+".closed_reason"), Effort: r.effortOrNone(m.EffortRating, at+".effort_rating"),
		Symptoms: r.symptoms(m.GetSymptoms(), at+".symptoms"), StartHeartRate: whole(m.StartHeartRateBpm), SteadyHeartRate: whole(m.SteadyHeartRateBpm),
	}
	if trace := m.GetHeartRateTrace(); trace != nil {
		v.Trace = record.NewHeartRateTrace(r.time(trace.GetStartedAt(), at+".heart_rate_trace.started_at"), trace.GetChanges())
	}
	for i, s := range m.GetSigns() {
		here := index(at+".signs", i)
		v.Signs = append(v.Signs, record.MechanicsSign{Sign: pick(r, signs, s.GetSign(), here+".sign"), Grade: int(s.GetGrade())})
	}
	return v
}

func (w *writer) session(s record.Stored[record.Session]) *pb.Session {
	v := s.Value
	m := &pb.Session{
		Id: v.ID, ClinicId: v.ClinicID, ReferralId: v.ReferralID, EvaluatorId: v.EvaluatorID, StartedAt: w.time(v.StartedAt),
		EndedAt: w.time(v.EndedAt), Revision: w.revision(s.Revision),
		Screening: &pb.Screening{
			RestingHeartRateBpm: w.wholeOrNone(v.Screening.RestingHeartRate), SystolicMmhg: w.wholeOrNone(v.Screening.Systolic),
			DiastolicMmhg: w.wholeOrNone(v.Screening.Diastolic), RateLimitingDrug: v.Screening.RateLimitingDrug,
			OverrideReason: v.Screening.OverrideReason, Symptoms: w.symptoms(v.Screening.Symptoms), OverrideBy: v.Screening.OverrideBy,
		},
		Body: w.bodyOrNone(v.Body),
	}
	for _, series := range v.Series {
		m.Series = append(m.Series, w.series(series))
	}
	for _, series := range v.HandSeries {
		m.HandSeries = append(m.HandSeries, w.handSeries(series))
	}
	for _, series := range v.PositionSeries {
		m.PositionSeries = append(m.PositionSeries, w.positionSeries(series))
	}
	return m
}

func (w *writer) series(v record.Series) *pb.Series {
	m := &pb.Series{
		Number: w.number(v.Number), Zone: say(w, zones, v.Zone), Pace: say(w, paces, v.Pace), ProtocolDigest: v.ProtocolDigest,
		KitId: v.KitID, Stop: sayOrNone(w, stops, v.Stop), StopNote: v.StopNote,
	}
	for _, t := range v.Trials {
		m.Trials = append(m.Trials, w.trial(t))
	}
	return m
}

func (w *writer) trial(v record.Trial) *pb.Trial {
	m := &pb.Trial{
		Number: w.number(v.Number), At: w.time(v.At), Load: w.mass(v.Load), InsertCodes: v.InsertCodes,
		Repetitions: w.number(v.Repetitions), HeartRateBpm: w.wholeOrNone(v.HeartRate), Sustainable: v.Sustainable,
		MorePossible: v.MorePossible, Blinded: v.Blinded, ClosedReason: v.ClosedReason, EffortRating: w.effortOrNone(v.Effort),
		Symptoms: w.symptoms(v.Symptoms), StartHeartRateBpm: w.wholeOrNone(v.StartHeartRate), SteadyHeartRateBpm: w.wholeOrNone(v.SteadyHeartRate),
	}
	if v.Trace != nil {
		changes, ok := v.Trace.Unpack()
		if !ok {
			w.fail("heart-rate trace of trial %d", v.Number)
		}
		m.HeartRateTrace = &pb.HeartRateTrace{StartedAt: w.time(v.Trace.StartedAt), Changes: changes}
	}
	for _, s := range v.Signs {
		m.Signs = append(m.Signs, &pb.MechanicsSign{Sign: say(w, signs, s.Sign), Grade: w.number(s.Grade)})
	}
	return m
}
