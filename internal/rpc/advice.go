package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
)

// advice serves what comes next in a series. It has no use cases behind a principal: nothing stored is read.
type advice struct {
	pb.UnimplementedAdviceServiceServer
}

func (advice) Advise(ctx context.Context, req *pb.AdviseRequest) (*pb.AdviseResponse, error) {
	_, resp, err := adviseOn(ctx, req)
	return resp, err
}

func (advice) ListHouseProtocols(_ context.Context, req *pb.ListHouseProtocolsRequest) (*pb.ListHouseProtocolsResponse, error) {
	named, next, err := deskwork.HouseProtocols(readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	resp := &pb.ListHouseProtocolsResponse{NextCursor: next}
	for _, p := range named {
		resp.Protocols = append(resp.Protocols, &pb.HouseProtocol{Digest: p.Digest, Protocol: w.protocolBody(p.Protocol)})
	}
	return answered(w, resp)
}

// Advise reads an AdviseRequest and answers it: for people, and as the service's JSON on one line.
func (d *Desk) Advise(text []byte) (deskwork.Advised, []byte, error) {
	return atDesk(d, text, &pb.AdviseRequest{}, adviseOn)
}

func adviseOn(ctx context.Context, req *pb.AdviseRequest) (deskwork.Advised, *pb.AdviseResponse, error) {
	r := &reader{}
	q := r.adviceQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return deskwork.Advised{}, nil, err
	}
	got, err := deskwork.Advise(q)
	if err != nil {
		return deskwork.Advised{}, nil, err
	}
	w := &writer{}
	resp, err := answered(w, w.advised(got))
	return got, resp, err
}

func (r *reader) adviceQuestion(m *pb.AdviseRequest) deskwork.AdviceQuestion {
	q := deskwork.AdviceQuestion{
		Protocol: r.protocol(m.GetProtocol(), "protocol"), AgeYears: int(m.GetAgeYears()), Sex: pickOrNone(r, sexes, m.GetSex(), "sex"),
		BodyMass: r.massOrNone(m.GetBodyMass(), "body_mass"), Screening: r.screening(m.GetScreening(), "screening"),
		Zone: pick(r, zones, m.GetZone(), "zone"), Stop: pickOrNone(r, stops, m.GetStop(), "stop"), Now: r.time(m.GetNow(), "now"),
		RestSeconds: whole(m.RestSeconds), HeartRate: whole(m.HeartRateBpm), StatureMM: int(m.GetStatureMm()), DifferFrom: m.GetDifferFromCodes(),
	}
	if t := r.massOrNone(m.GetLoadTolerance(), "load_tolerance"); t != nil {
		q.LoadTolerance = *t
	}
	if m.GetKit() != nil {
		kit := r.kit(m.GetKit(), "kit")
		q.Kit = &kit
	}
	for i, t := range m.GetTrials() {
		q.Trials = append(q.Trials, r.trial(t, index("trials", i)))
	}
	for i, s := range m.GetSymptoms() {
		q.Symptoms = append(q.Symptoms, pick(r, symptoms, s, index("symptoms", i)))
	}
	return q
}

func (w *writer) advised(v deskwork.Advised) *pb.AdviseResponse {
	resp := &pb.AdviseResponse{
		Action: say(w, adviceActions, v.Action), Then: sayOrNone(w, adviceActions, v.Then), Load: w.massOrNone(v.Load),
		EarliestAt: w.time(v.EarliestAt), Cautions: writeRemarks(v.Cautions), NearestBelow: w.massOrNone(v.Below), NearestAbove: w.massOrNone(v.Above),
	}
	if v.Recipe != nil {
		resp.Recipe = &pb.AdviseResponse_AdviceRecipe{Codes: v.Recipe.Codes, Load: w.mass(v.Recipe.Load)}
	}
	for _, reason := range v.Reasons {
		resp.Reasons = append(resp.Reasons, &pb.AdviceReason{
			Guard: reason.Guard, Calls: sayOrNone(w, adviceActions, reason.Calls), Measured: reason.Measured, Limit: reason.Limit, Text: reason.Text,
			RevealsLoad: reason.RevealsLoad(),
		})
	}
	return resp
}

var adviceActions = newWords(map[pb.AdviceAction]deskwork.AdviceAction{
	pb.AdviceAction_ADVICE_ACTION_START:    "start",
	pb.AdviceAction_ADVICE_ACTION_WAIT:     "wait",
	pb.AdviceAction_ADVICE_ACTION_ADVANCE:  "advance",
	pb.AdviceAction_ADVICE_ACTION_REPEAT:   "repeat",
	pb.AdviceAction_ADVICE_ACTION_BACK_OFF: "back_off",
	pb.AdviceAction_ADVICE_ACTION_STOP:     "stop",
})
