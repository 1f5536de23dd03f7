package rpc

import (
	"context"

	"google.golang.org/grpc"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// SyncCases are the use cases of keeping a clinic app in step.
type SyncCases interface {
	PushSessions(context.Context, authn.Principal, []record.Session) ([]casework.BatchAnswer, error)
	ListSessionConflicts(ctx context.Context, p authn.Principal, openOnly bool, page record.Page) (record.List[casework.ConflictView], error)
	ResolveSessionConflict(context.Context, authn.Principal, casework.Resolving) (record.Stored[casework.ConflictView], error)
	PullChanges(context.Context, authn.Principal, record.Page) (casework.ChangeList, error)
	WatchChanges(ctx context.Context, p authn.Principal, cursor string, send func(casework.ChangeList) error) error
}

type syncs struct {
	pb.UnimplementedSyncServiceServer
	cases SyncCases
}

func (s syncs) PullChanges(ctx context.Context, req *pb.PullChangesRequest) (*pb.PullChangesResponse, error) {
	got, err := s.cases.PullChanges(ctx, principalOf(ctx), record.Page{Size: int(req.GetSize()), Cursor: req.GetCursor()})
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.PullChangesResponse{Changes: w.synced(got.Changes), NextCursor: got.Next, More: got.More})
}

func (s syncs) WatchChanges(req *pb.WatchChangesRequest, stream grpc.ServerStreamingServer[pb.WatchChangesResponse]) error {
	ctx := stream.Context()
	return s.cases.WatchChanges(ctx, principalOf(ctx), req.GetCursor(), func(got casework.ChangeList) error {
		w := &writer{}
		m, err := answered(w, &pb.WatchChangesResponse{Changes: w.synced(got.Changes), NextCursor: got.Next})
		if err != nil {
			return err
		}
		return stream.Send(m)
	})
}

func (w *writer) synced(list []casework.Change) []*pb.Change {
	out := make([]*pb.Change, 0, len(list))
	for _, c := range list {
		m := &pb.Change{EntryNumber: w.long(c.Entry), At: w.time(c.At), Action: c.Action, Records: make([]*pb.ChangedRecord, 0, len(c.Records))}
		for _, r := range c.Records {
			m.Records = append(m.Records, &pb.ChangedRecord{Kind: r.Kind, Id: r.ID, Revision: w.number(r.Revision), Body: string(r.Body)})
		}
		out = append(out, m)
	}
	return out
}
