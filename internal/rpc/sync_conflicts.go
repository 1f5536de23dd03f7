package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

var conflictDecisions = newWords(map[pb.ConflictDecision]record.ConflictDecision{
	pb.ConflictDecision_CONFLICT_DECISION_STORED_STANDS:  record.StoredStands,
	pb.ConflictDecision_CONFLICT_DECISION_INCOMING_TAKEN: record.IncomingTaken,
})

func (s syncs) ListSessionConflicts(ctx context.Context, req *pb.ListSessionConflictsRequest) (*pb.ListSessionConflictsResponse, error) {
	got, err := s.cases.ListSessionConflicts(ctx, principalOf(ctx), req.GetOpenOnly(), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ListSessionConflictsResponse{Conflicts: list(w, got.Items, (*writer).conflict), NextCursor: got.Next})
}

func (s syncs) ResolveSessionConflict(ctx context.Context, req *pb.ResolveSessionConflictRequest) (*pb.ResolveSessionConflictResponse, error) {
	r := &reader{}
	in := casework.Resolving{ID: r.id(req.GetId(), "id"), Decision: pick(r, conflictDecisions, req.GetDecision(), "decision"),
		Expected: int(req.GetExpectedRevision()), Reason: r.text(req.GetReason(), "reason")}
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	got, err := s.cases.ResolveSessionConflict(ctx, principalOf(ctx), in)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.ResolveSessionConflictResponse{Conflict: w.conflict(got)})
}

func (w *writer) conflict(s record.Stored[casework.ConflictView]) *pb.SessionConflict {
	v := s.Value
	c := v.Conflict
	return &pb.SessionConflict{
		Id: c.ID, SessionId: c.SessionID, Incoming: w.session(record.Stored[record.Session]{Value: c.Incoming}), Stored: w.session(v.Stored),
		Differences: w.differences(v.Differences), SentBy: v.SentBy, At: w.time(c.At), Decision: sayOrNone(w, conflictDecisions, c.Decision),
		Revision: w.revision(s.Revision),
	}
}
