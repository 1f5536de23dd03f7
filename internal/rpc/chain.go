package rpc

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// link stands before every handler. Either part may be absent.
type link struct {
	name string
	// why says why the link stands at its place in the list.
	why string
	// around runs before and after all that follows it.
	around func(ctx context.Context, c *call, next func(context.Context) error) error
	// message looks at a message that the caller sent: once in a unary call, each in a stream, after the around parts before it.
	message func(c *call, m proto.Message) error
}

// chain is the ordered list of links, with what they need to begin.
type chain struct {
	links        []link
	rules        Rules
	newRequestID func() string
	now          func() time.Time
	// validate is the judgement of the validation link.
	validate func(c *call, m proto.Message) error
	// again authenticates a call that goes on.
	again func(ctx context.Context, c *call) error
}

// links is the one list, outermost first.
func links(o Options, rules Rules, obs *observer, v *validation, adm *admission, lim *limiter, draining context.Context) chain {
	return chain{rules: rules, newRequestID: o.NewRequestID, now: o.Now, again: authenticator{o.Authenticator, o.Certificates}.again, validate: v.message, links: []link{
		{name: "request id", why: "first, so that whatever happens can be found by it",
			around: sendRequestID},
		{name: "metrics and access log", why: "before all that can refuse, so that refusals are counted and logged too",
			around: obs.around},
		{name: "faults", why: "within the log, which so sees the code that the caller gets; it alone makes statuses and logs causes",
			around: obs.translate},
		{name: "recover", why: "within faults, so that a panic is counted, logged and answered as the Internal that it becomes",
			around: obs.recoverPanic},
		{name: "drain", why: "before any work: a call that comes while the server stops is sent elsewhere at once",
			around: drain{draining}.around},
		{name: "deadline", why: "before authentication, which asks the database: no caller may wait on it without an end",
			around: limits{fallback: o.DefaultDeadline, most: o.MaxDeadline}.around},
		{name: "admission", why: "before the first question to the database, so that what is too much costs nothing; within the deadline, which a wait counts against",
			around: adm.around},
		{name: "address limit", why: "before authentication, whose refusals it counts, so that guessing has an end",
			around: lim.byAddress},
		{name: "authentication", why: "nothing of the message is looked at for a caller who is not known",
			around: authenticator{o.Authenticator, o.Certificates}.around},
		{name: "principal limit", why: "as soon as it is known who calls, before anything is done for them",
			around: lim.byPrincipal},
		{name: "access", why: "the role is settled before a message is judged, so that its judgement tells outsiders nothing",
			around: checkRole},
		{name: "decoding", why: "before anything looks into the message: one that could not be decoded has nothing to look at",
			message: readable},
		{name: "clinic", why: "whose data it is about is settled before the rest of a message is judged",
			message: resolveClinic},
		{name: "validation", why: "last: handlers see only messages whose declared rules hold",
			message: v.message},
	}}
}

// unary is the list as a unary interceptor.
func (ch chain) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	c := ch.newCall(ctx, info.FullMethod)
	var resp any
	err := ch.run(context.WithValue(ctx, callKey{}, c), c, req, func(ctx context.Context) (err error) {
		resp, err = handler(ctx, req)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// stream is the list as a stream interceptor: every received message passes the message parts.
func (ch chain) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	c := ch.newCall(ss.Context(), info.FullMethod)
	return ch.run(context.WithValue(ss.Context(), callKey{}, c), c, nil, func(ctx context.Context) error {
		if c.rule != nil && c.rule.Streams && !c.rule.Open {
			ss = &patientStream{ServerStream: ss, ctx: ctx, idle: streamIdle}
			ss = &heldStream{ServerStream: ss, ctx: ctx, call: c, again: ch.again, checked: c.now()}
		}
		return handler(srv, &checkedStream{ServerStream: ss, ctx: ctx, call: c, chain: ch})
	})
}

// refused runs the outer links over a request that could not be read, so that it is logged, counted and answered like any other.
func (ch chain) refused(ctx context.Context, method string, err error) error {
	c := ch.newCall(ctx, method)
	outer := chain{links: ch.links[:3]}
	return outer.run(context.WithValue(ctx, callKey{}, c), c, nil, func(context.Context) error { return err })
}

// run nests the links from index 0 on around last.
func (ch chain) run(ctx context.Context, c *call, req any, last func(context.Context) error) error {
	return ch.step(ctx, c, req, 0, last)
}

func (ch chain) step(ctx context.Context, c *call, req any, i int, last func(context.Context) error) error {
	if i == len(ch.links) {
		return last(ctx)
	}
	l := ch.links[i]
	next := func(ctx context.Context) error {
		if m, ok := req.(proto.Message); ok && l.message != nil {
			if err := l.message(c, m); err != nil {
				return err
			}
		}
		return ch.step(ctx, c, req, i+1, last)
	}
	if l.around == nil {
		return next(ctx)
	}
	return l.around(ctx, c, next)
}

// checkedStream passes every received message through the message parts of the links.
type checkedStream struct {
	grpc.ServerStream
	ctx   context.Context
	call  *call
	chain chain
}

// Context carries the call.
func (s *checkedStream) Context() context.Context { return s.ctx }

// RecvMsg hands on only what every link lets pass.
func (s *checkedStream) RecvMsg(m any) error {
	if err := s.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	message, ok := m.(proto.Message)
	if !ok {
		return nil
	}
	for _, l := range s.chain.links {
		if l.message == nil {
			continue
		}
		if err := l.message(s.call, message); err != nil {
			return err
		}
	}
	return nil
}
