package rpc

import (
	"context"
	"errors"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
)

func wire(b []byte) mem.BufferSlice { return mem.BufferSlice{mem.SliceBuffer(b)} }

// TestBrokenReceiptsAreMarked: a receipt is never an error, and one that is broken holds nothing of what stood before the break.
func TestBrokenReceiptsAreMarked(t *testing.T) {
	whole, err := proto.Marshal(&pb.GetSessionRequest{Id: someID, Revision: 300})
	if err != nil {
		t.Fatal(err)
	}
	c := newLenientCodec()
	for n := range len(whole) + 1 {
		var m pb.GetSessionRequest
		r := &receipt{message: &m}
		if err := c.Unmarshal(wire(whole[:n]), r); err != nil {
			t.Errorf("%d of %d bytes: %v", n, len(whole), err)
		}
		// Cut off between two fields it is whole: after nothing, after the id, at the end.
		cut := n != 0 && n != 2+len(someID) && n != len(whole)
		if (r.broken != nil) != cut {
			t.Errorf("%d of %d bytes: broken %v, want it %v", n, len(whole), r.broken, cut)
		}
		if cut && !proto.Equal(&m, &pb.GetSessionRequest{}) {
			t.Errorf("%d of %d bytes: the broken message holds %v", n, len(whole), &m)
		}
	}
	var m pb.GetSessionRequest
	r := &receipt{message: &m}
	if err := c.Unmarshal(wire([]byte("\x0a\x02\xff\xfe")), r); err != nil || r.broken == nil {
		t.Errorf("a text that is not UTF-8: %v, broken %v", err, r.broken)
	}
	if err := c.Unmarshal(wire(whole[:5]), &m); err == nil {
		t.Error("a message without a receipt was let pass broken")
	}
	if err := c.Unmarshal(wire(whole), &m); err != nil || m.Revision != 300 {
		t.Errorf("a message without a receipt: %v, %v", &m, err)
	}
	r = &receipt{message: 7}
	if err := c.Unmarshal(wire(whole), r); err != nil || r.broken == nil {
		t.Errorf("no message at all: %v, broken %v", err, r.broken)
	}
}

func TestBrokenMessagesAreRefused(t *testing.T) {
	if err := readable(&call{}, nil); err != nil {
		t.Errorf("a whole message: %v", err)
	}
	f := faultOf(readable(&call{broken: errors.New("cut")}, nil))
	if f.Kind != fault.Invalid || f.Reason != "MALFORMED_MESSAGE" || len(f.Violations) != 1 || f.Violations[0].Field != "message" {
		t.Errorf("a broken message: %+v", f)
	}
	ch := chain{links: []link{{message: readable}}, newRequestID: func() string { return "r" }}
	info := &grpc.UnaryServerInfo{FullMethod: "/m"}
	reached := 0
	handler := func(context.Context, any) (any, error) { reached++; return nil, nil }
	for _, broken := range []error{nil, errors.New("cut")} {
		ctx := context.WithValue(context.Background(), receiptKey{}, &receipt{broken: broken})
		if _, err := ch.unary(ctx, &pb.GetSessionRequest{}, info, handler); (err != nil) != (broken != nil) {
			t.Errorf("receipt with %v: %v", broken, err)
		}
	}
	if reached != 1 {
		t.Errorf("%d messages reached the handler, want the whole one alone", reached)
	}
}

func TestRequestsThatNeverCame(t *testing.T) {
	for code, want := range map[codes.Code]fault.Kind{codes.ResourceExhausted: fault.TooLarge, codes.Canceled: fault.Canceled,
		codes.DeadlineExceeded: fault.Deadline, codes.Internal: fault.Invalid} {
		if got := faultOf(unreceivedFault(status.Error(code, "x"))).Kind; got != want {
			t.Errorf("%v: kind %v, want %v", code, got, want)
		}
	}
}
