package rpc

import (
	"context"

	"google.golang.org/genproto/googleapis/api/httpbody"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
)

// LogCases are the use cases of whoever follows a clinic's log: signed heads and hashes alone.
type LogCases interface {
	GetLogCheckpoint(context.Context, authn.Principal) (string, error)
	// GetLogTile takes a tile's path as C2SP tlog-tiles has it, from its level on.
	GetLogTile(ctx context.Context, p authn.Principal, path string) ([]byte, error)
	ProofCases
}

// The content types that C2SP tlog-tiles asks for.
const (
	checkpointType = "text/plain; charset=utf-8"
	tileType       = "application/octet-stream"
)

type logs struct {
	pb.UnimplementedLogServiceServer
	cases LogCases
}

func (s logs) GetLogCheckpoint(ctx context.Context, _ *pb.GetLogCheckpointRequest) (*httpbody.HttpBody, error) {
	note, err := s.cases.GetLogCheckpoint(ctx, principalOf(ctx))
	if err != nil {
		return nil, err
	}
	return &httpbody.HttpBody{ContentType: checkpointType, Data: []byte(note)}, nil
}

func (s logs) GetLogTile(ctx context.Context, req *pb.GetLogTileRequest) (*httpbody.HttpBody, error) {
	hashes, err := s.cases.GetLogTile(ctx, principalOf(ctx), req.GetPath())
	if err != nil {
		return nil, err
	}
	return &httpbody.HttpBody{ContentType: tileType, Data: hashes}, nil
}
