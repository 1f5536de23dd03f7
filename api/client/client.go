// Package client keeps a clinic app in step with the service on bad networks: sessions wait in an outbox until the service has them, and every change of
// the clinic arrives once, in order.
//
// Whatever fails is tried again where the service's contract says that a repetition is safe and may succeed, with growing pauses and the service's own
// advice. A session leaves the outbox when it is stored, or when it is refused for good; then it is kept aside with what was wrong with it, because it
// holds measurements that nobody can take again.
//
// The token decides which clinic it is. Cautions of the tests themselves are not this package's: see the service's documentation.
package client

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding/gzip"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"google.golang.org/genproto/googleapis/rpc/errdetails"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// Options for Dial.
type Options struct {
	// Address of the service's gRPC, host:port.
	Address string
	// Token returns the token to present; it is asked at each call, so that a rotated one is used at once.
	Token func() string
	// TLS is how the connection is protected; nil for the system's certificate authorities.
	TLS *tls.Config
	// Plaintext leaves TLS out. Only for a service on the same machine.
	Plaintext bool
	// App is the app's name as it stands in the audit log.
	App string
	// Outbox keeps sessions until they are stored.
	Outbox Outbox
	// Batch is how many sessions are sent at once, at most 64; 0 for 16.
	Batch int
	// FirstPause and LongestPause bound the pauses between attempts; 0 for 0.5 s and 1 min.
	FirstPause, LongestPause time.Duration
	// CallLimit bounds one attempt; 0 for 30 s.
	CallLimit time.Duration
	// DialOptions go to gRPC as they are.
	DialOptions []grpc.DialOption
}

const (
	usualBatch     = 16
	largestBatch   = 64
	usualFirst     = 500 * time.Millisecond
	usualLongest   = time.Minute
	usualCallLimit = 30 * time.Second
	aliveEvery     = 30 * time.Second
	aliveWithin    = 10 * time.Second
	// largestAnswer is the largest message that is taken from the service.
	largestAnswer = 16 << 20
)

// Client is safe for concurrent use, but for Flush, of which one call runs at a time.
type Client struct {
	o    Options
	conn *grpc.ClientConn
	sync ponderalv1.SyncServiceClient
}

// Dial makes a client. It connects when it is first used.
func Dial(o Options) (*Client, error) {
	if o.Address == "" || o.Token == nil || o.Outbox == nil {
		return nil, errors.New("client: address, token and outbox are needed")
	}
	if o.Batch < 0 || o.Batch > largestBatch {
		return nil, fmt.Errorf("client: a batch has at most %d sessions", largestBatch)
	}
	o.Batch = orElse(o.Batch, usualBatch)
	o.FirstPause, o.LongestPause = orElse(o.FirstPause, usualFirst), orElse(o.LongestPause, usualLongest)
	o.CallLimit = orElse(o.CallLimit, usualCallLimit)
	transport := credentials.NewTLS(o.TLS)
	if o.Plaintext {
		transport = insecure.NewCredentials()
	}
	dial := append([]grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		// A connection that is open on this side alone is left once nothing answers on it; the service takes a sign of life every 20 s at most.
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: aliveEvery, Timeout: aliveWithin}),
		grpc.WithDefaultCallOptions(grpc.UseCompressor(gzip.Name), grpc.MaxCallRecvMsgSize(largestAnswer)),
	}, o.DialOptions...)
	conn, err := grpc.NewClient(o.Address, dial...)
	if err != nil {
		return nil, fmt.Errorf("client: %w", err)
	}
	return &Client{o: o, conn: conn, sync: ponderalv1.NewSyncServiceClient(conn)}, nil
}

// Close ends the connection. What is in the outbox stays there.
func (c *Client) Close() error { return c.conn.Close() }

// Conn is the connection, for the service's other methods; Outgoing makes their context.
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// Outgoing adds the credential and the app's name to a call.
func (c *Client) Outgoing(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.o.Token(), "x-ponderal-app", c.o.App)
}

func orElse[T comparable](value, usual T) T {
	var zero T
	if value == zero {
		return usual
	}
	return value
}

// again runs an attempt until it succeeds, fails for good, or ctx ends, in which case the error is the last attempt's.
func (c *Client) again(ctx context.Context, attempt func(context.Context) error) error {
	pause := c.o.FirstPause
	for {
		limited, cancel := context.WithTimeout(ctx, c.o.CallLimit)
		err := attempt(c.Outgoing(limited))
		cancel()
		if err == nil || !mayRepeat(err) {
			return err
		}
		// Between half and all of the pause, so that apps that were cut off together do not come back together.
		wait := max(pause/2+rand.N(pause/2+1), advised(err))
		if !sleep(ctx, wait) {
			return err
		}
		pause = min(2*pause, c.o.LongestPause)
	}
}

func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// mayRepeat reports whether the same request may succeed later. Every request of this package is safe to repeat.
func mayRepeat(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded:
		return true
	case codes.ResourceExhausted:
		// Too much at once is told with an advice when to come again; a message that is too large is not.
		return advised(err) > 0
	}
	return false
}

// advised is how long the service asks to wait; 0 where it says nothing.
func advised(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok {
			return info.GetRetryDelay().AsDuration()
		}
	}
	return 0
}
