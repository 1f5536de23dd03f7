package rpc

import (
	"context"

	"google.golang.org/grpc/peer"
)

// InProcess is the network of connections inside the process, as net.Pipe names it: only the gateway has one.
const InProcess = "pipe"

// drain refuses calls once its context has ended. The calls of the gateway pass: their requests were taken before.
type drain struct{ draining context.Context }

func (d drain) around(ctx context.Context, c *call, next func(context.Context) error) error {
	if c.rule != nil && c.rule.Open {
		// Watching health has no end of its own and would hold up the stop.
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		defer context.AfterFunc(d.draining, cancel)()
		return next(ctx)
	}
	if d.draining.Err() != nil && !inProcess(ctx) {
		return stopping()
	}
	if c.rule != nil && c.rule.Streams {
		return d.endWhenDraining(ctx, next)
	}
	return next(ctx)
}

func inProcess(ctx context.Context) bool {
	p, ok := peer.FromContext(ctx)
	return ok && p.Addr != nil && p.Addr.Network() == InProcess
}
