package rpc

import (
	"context"
	"slices"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/gzip" // what clients send compressed is read, and answered in kind
	"google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	protobuf "google.golang.org/protobuf/proto"

	"ponderal.example/internal/fault"
)

// receipt is one request as it came: the message to fill, and why it could not be filled. It belongs to the goroutine of its call.
type receipt struct {
	message any
	broken  error
}

type receiptKey struct{}

// lenientCodec is the protobuf codec, except that a receipt which cannot be decoded is no error: gRPC itself would answer it with INTERNAL and
// without details, before any link has seen the call. The links answer instead, in their order.
type lenientCodec struct{ encoding.CodecV2 }

func newLenientCodec() lenientCodec { return lenientCodec{encoding.GetCodecV2(proto.Name)} }

// Unmarshal fills the message of a receipt, or any other message as usual.
func (c lenientCodec) Unmarshal(data mem.BufferSlice, into any) error {
	r, ok := into.(*receipt)
	if !ok {
		return c.CodecV2.Unmarshal(data, into)
	}
	r.broken = c.CodecV2.Unmarshal(data, r.message)
	if m, ok := r.message.(protobuf.Message); ok && r.broken != nil {
		// What stood before the break is not to be looked at by anyone.
		protobuf.Reset(m)
	}
	return nil
}

// readable refuses a message that could not be decoded.
func readable(c *call, _ protobuf.Message) error {
	if c.broken == nil {
		return nil
	}
	const text = "the request is not a whole message of this method in protobuf's wire format with every text in UTF-8"
	return &fault.Error{Kind: fault.Invalid, Reason: "MALFORMED_MESSAGE", Text: text, Cause: c.broken,
		Violations: []fault.Violation{{Field: "message", Rule: "protobuf", Text: text}}}
}

// brokenOf is why the message of the call in ctx could not be decoded; nil where it could.
func brokenOf(ctx context.Context) error {
	if r, ok := ctx.Value(receiptKey{}).(*receipt); ok {
		return r.broken
	}
	return nil
}

// registrar registers services whose unreadable requests pass the links like any other: gRPC itself decodes a unary request before it
// calls an interceptor. The answer to one that is too large stays gRPC's own, code and text without details, since gRPC sends it
// before anyone is asked; it is counted and logged.
type registrar struct {
	to    *grpc.Server
	chain *chain
}

// RegisterService registers a copy of the description with its unary methods wrapped.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	wrapped := *desc
	wrapped.Methods = slices.Clone(desc.Methods)
	for i, m := range desc.Methods {
		name := "/" + desc.ServiceName + "/" + m.MethodName
		wrapped.Methods[i].Handler = func(srv any, ctx context.Context, dec func(any) error, in grpc.UnaryServerInterceptor) (any, error) {
			var unreceived error
			got := &receipt{}
			resp, err := m.Handler(srv, context.WithValue(ctx, receiptKey{}, got), func(into any) error {
				got.message = into
				unreceived = dec(got)
				return unreceived
			}, in)
			if unreceived != nil {
				return nil, r.chain.refused(ctx, name, unreceivedFault(unreceived))
			}
			return resp, err
		}
	}
	r.to.RegisterService(&wrapped, impl)
}

// unreceivedFault is why gRPC could not hand over a request.
func unreceivedFault(err error) error {
	switch status.Code(err) {
	case codes.ResourceExhausted:
		return fault.Wrap(fault.TooLarge, "TOO_LARGE", "the message is larger than the service takes; send less at once", err)
	case codes.Canceled:
		return faultOf(context.Canceled)
	case codes.DeadlineExceeded:
		return faultOf(context.DeadlineExceeded)
	}
	return fault.Wrap(fault.Invalid, "MALFORMED_MESSAGE", "the request did not come as one whole message", err)
}
