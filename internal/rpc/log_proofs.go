package rpc

import (
	"context"
	"math"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/record"
)

// ProofCases are the proofs and cosignatures of a clinic's log.
type ProofCases interface {
	// GetConsistencyProof takes two sizes, the newer 0 for the log as it stands.
	GetConsistencyProof(ctx context.Context, p authn.Principal, oldSize, newSize int64) (casework.Consistency, error)
	// GetInclusionProof takes an entry's number and a size, 0 for the log as it stands.
	GetInclusionProof(ctx context.Context, p authn.Principal, number, size int64) (casework.Inclusion, error)
	ListCosignatures(context.Context, authn.Principal, record.Page) (casework.CosignatureList, error)
}

func (s logs) GetConsistencyProof(ctx context.Context, req *pb.GetConsistencyProofRequest) (*pb.GetConsistencyProofResponse, error) {
	got, err := s.cases.GetConsistencyProof(ctx, principalOf(ctx), sizeOf(req.GetOldSize()), sizeOf(req.GetNewSize()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetConsistencyProofResponse{
		OldSize: w.long(got.Old.Size), NewSize: w.long(got.New.Size), OldRoot: base64url(got.Old.Root[:]), NewRoot: base64url(got.New.Root[:]),
		Path: hashesOf(got.Path), Checkpoint: got.New.Checkpoint,
	})
}

func (s logs) GetInclusionProof(ctx context.Context, req *pb.GetInclusionProofRequest) (*pb.GetInclusionProofResponse, error) {
	got, err := s.cases.GetInclusionProof(ctx, principalOf(ctx), sizeOf(req.GetNumber()), sizeOf(req.GetSize()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	return answered(w, &pb.GetInclusionProofResponse{
		Number: w.long(got.Number), Size: w.long(got.Tree.Size), LeafHash: base64url(got.LeafHash[:]), Root: base64url(got.Tree.Root[:]),
		Path: hashesOf(got.Path), Checkpoint: got.Tree.Checkpoint,
	})
}

func (s logs) ListCosignatures(ctx context.Context, req *pb.ListCosignaturesRequest) (*pb.ListCosignaturesResponse, error) {
	got, err := s.cases.ListCosignatures(ctx, principalOf(ctx), readPage(req.GetPage()))
	if err != nil {
		return nil, err
	}
	w := &writer{}
	m := &pb.ListCosignaturesResponse{NextCursor: got.Next}
	for _, c := range got.Items {
		m.Cosignatures = append(m.Cosignatures, &pb.Cosignature{Size: w.long(c.Size), Witness: c.Witness, At: w.time(c.At), Line: c.Line})
	}
	return answered(w, m)
}

// sizeOf reads a size or a number of a log. What no log can have is the largest, which none has either.
func sizeOf(n uint64) int64 { return int64(min(n, math.MaxInt64)) }

func hashesOf(path [][32]byte) []string {
	out := make([]string, len(path))
	for i, h := range path {
		out[i] = base64url(h[:])
	}
	return out
}
