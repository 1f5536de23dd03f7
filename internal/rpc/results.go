package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// ResultCases are the use cases of results and of the payer's feed.
type ResultCases interface {
	SignResult(context.Context, authn.Principal, casework.Signing) (record.Stored[casework.ResultView], error)
	CountersignResult(context.Context, authn.Principal, casework.Countersigning) (record.Stored[casework.ResultView], error)
	GetResult(context.Context, authn.Principal, string) (record.Stored[casework.ResultView], error)
	ListResults(context.Context, authn.Principal, record.Page) (record.List[casework.ResultView], error)
	ListFeed(context.Context, authn.Principal, record.Page) (casework.Feed, error)
	// Keys is the public key set, canonical JSON (RFC 7517).
	Keys() []byte
}

type results struct {
	pb.UnimplementedResultServiceServer
	cases ResultCases
}

func (s results) SignResult(ctx context.Context, req *pb.SignResultRequest) (*pb.SignResultResponse, error) {
	r := &reader{}
	in := r.signing(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.SignResult(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.SignResultResponse{Result: w.result(stored)})
}

func (s results) SupersedeResult(ctx context.Context, req *pb.SupersedeResultRequest) (*pb.SupersedeResultResponse, error) {
	r := &reader{}
	in := r.superseding(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.SignResult(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.SupersedeResultResponse{Result: w.result(stored)})
}

func (s results) CountersignResult(ctx context.Context, req *pb.CountersignResultRequest) (*pb.CountersignResultResponse, error) {
	r := &reader{}
	in := casework.Countersigning{
		ID: r.id(req.GetCountersignatureId(), "countersignature_id"), ResultID: r.id(req.GetResultId(), "result_id"), Proof: signerProof(req.GetProof()),
	}
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	stored, err := s.cases.CountersignResult(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.CountersignResultResponse{Result: w.result(stored)})
}

// signerProof hands a credential on as it is: what it may hold is the checker's to say.
func signerProof(m *pb.SignerProof) casework.SignerProof {
	return casework.SignerProof{Password: m.GetPassword(), Code: m.GetCode(), IDToken: m.GetIdToken()}
}

func (s results) GetResult(ctx context.Context, req *pb.GetResultRequest) (*pb.GetResultResponse, error) {
	stored, err := s.cases.GetResult(ctx, principalOf(ctx), lower(req.GetId()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetResultResponse{Result: w.result(stored)})
}

func (s results) ListResults(ctx context.Context, req *pb.ListResultsRequest) (*pb.ListResultsResponse, error) {
	got, err := s.cases.ListResults(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListResultsResponse{Results: list(w, got.Items, (*writer).result), NextCursor: got.Next})
}

type feed struct {
	pb.UnimplementedFeedServiceServer
	cases ResultCases
}

func (s feed) ListFeed(ctx context.Context, req *pb.ListFeedRequest) (*pb.ListFeedResponse, error) {
	got, err := s.cases.ListFeed(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	m := &pb.ListFeedResponse{NextCursor: got.Next, More: got.More}
	for _, item := range got.Items {
		m.Items = append(m.Items, w.feedItem(item))
	}
	return answered(w, m)
}

type keys struct {
	pb.UnimplementedKeyServiceServer
	cases ResultCases
}

func (s keys) GetKeys(context.Context, *pb.GetKeysRequest) (*pb.GetKeysResponse, error) {
	return &pb.GetKeysResponse{Jwks: string(s.cases.Keys())}, nil
}

func (r *reader) signing(m *pb.SignResultRequest) casework.Signing {
	return casework.Signing{
		SessionID: r.id(m.GetSessionId(), "session_id"), ResultID: r.id(m.GetResultId(), "result_id"), SessionRevision: int(m.GetSessionRevision()),
		Meaning: pick(r, meanings, m.GetMeaning(), "meaning"), Decision: pickOrNone(r, outcomes, m.GetDecision(), "decision"),
		Comment: r.text(m.GetComment(), "comment"), Proof: signerProof(m.GetProof()),
	}
}

func (r *reader) superseding(m *pb.SupersedeResultRequest) casework.Signing {
	return casework.Signing{
		ResultID: r.id(m.GetResultId(), "result_id"), SessionRevision: int(m.GetSessionRevision()),
		Meaning: pick(r, meanings, m.GetMeaning(), "meaning"), Decision: pickOrNone(r, outcomes, m.GetDecision(), "decision"),
		Comment: r.text(m.GetComment(), "comment"), Supersedes: r.id(m.GetSupersededId(), "superseded_id"), SupersedeReason: r.text(m.GetReason(), "reason"),
		Proof: signerProof(m.GetProof()),
	}
}

func (w *writer) result(s record.Stored[casework.ResultView]) *pb.Result {
	v := s.Value
	return &pb.Result{
		Id: v.ID, ClinicId: v.ClinicID, SessionId: v.SessionID, SessionRevision: w.number(v.SessionRevision),
		SignedBy: v.Signature.Name, SignedAt: w.time(v.Signature.At), Meaning: say(w, meanings, v.Signature.Meaning),
		Decision: sayOrNone(w, outcomes, v.Decision), KeyId: v.KeyID, Supersedes: v.Supersedes, SupersededBy: v.SupersededBy,
		Outdated: v.Outdated, Bundle: w.bundle(v.Bundle), Revision: w.revision(s.Revision),
		AwaitsCountersignature: v.AwaitsCountersignature, Countersignatures: w.countersignatures(v.Countersigned),
	}
}

func (w *writer) countersignatures(list []casework.CountersignatureView) []*pb.Countersignature {
	var out []*pb.Countersignature
	for _, v := range list {
		out = append(out, &pb.Countersignature{Id: v.ID, SignedBy: v.Signature.Name, SignedAt: w.time(v.Signature.At),
			Meaning: say(w, meanings, v.Signature.Meaning), KeyId: v.KeyID})
	}
	return out
}

func (w *writer) countersignatureProofs(list []casework.CountersignatureView) []*pb.CountersignatureProof {
	var out []*pb.CountersignatureProof
	for _, v := range list {
		proof := w.proof(v.Proof)
		out = append(out, &pb.CountersignatureProof{Jws: v.JWS, Entry: proof.GetEntry(), Salt: proof.GetSalt(), Path: proof.GetPath(),
			Checkpoint: proof.GetCheckpoint()})
	}
	return out
}

func (w *writer) bundle(b *casework.Bundle) *pb.Bundle {
	if b == nil {
		return nil
	}
	proof := w.proof(b.Proof)
	return &pb.Bundle{
		Format: b.Format, Enclosed: b.Enclosed, EnclosedSalt: base64url(b.EnclosedSalt), Jws: b.JWS, Entry: proof.GetEntry(), Salt: proof.GetSalt(), Path: proof.GetPath(),
		Checkpoint: proof.GetCheckpoint(), Countersignatures: w.countersignatureProofs(b.Countersigned),
	}
}

// feedItem shows nothing but the id of a withheld result, whatever the use case handed over.
func (w *writer) feedItem(v casework.FeedItem) *pb.FeedItem {
	m := &pb.FeedItem{Number: w.long(v.Number), Withheld: v.Withheld}
	if v.Withheld {
		m.Result = &pb.Result{Id: v.Result.Value.ID}
		return m
	}
	m.Result = w.result(v.Result)
	return m
}
