// Package caller calls any method of the service's public API, over gRPC or over REST, with the same messages and the same errors. The REST
// form of a method is read from the contract's own http rules.
package caller

import (
	"context"
	"fmt"
	"net/http"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
)

// App is how the demonstration names itself to the service.
const App = "ponderal-demo"

const pkg = "ponderal.v1."

// Service is where the service listens: a gRPC address (HOST:PORT, in plaintext) and a REST base (http://HOST:PORT).
type Service struct {
	conn *grpc.ClientConn
	http *http.Client
	base string
}

// Dial makes a Service; nothing is connected before the first call.
func Dial(grpcAddress, restBase string) (*Service, error) {
	conn, err := grpc.NewClient(grpcAddress, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return nil, fmt.Errorf("dial %s: %w", grpcAddress, err)
	}
	return &Service{conn: conn, http: &http.Client{Transport: &http.Transport{}}, base: restBase}, nil
}

// Close ends the connections.
func (s *Service) Close() error {
	s.http.CloseIdleConnections()
	return s.conn.Close()
}

// Way is a transport.
type Way string

// The transports.
const (
	GRPC Way = "gRPC"
	REST Way = "REST"
)

// Caller holds one token and calls one way. An empty token sends none.
type Caller struct {
	service *Service
	token   string
	way     Way
}

// As gives a Caller.
func (s *Service) As(token string, way Way) Caller { return Caller{service: s, token: token, way: way} }

// Way is the transport that the caller uses.
func (c Caller) Way() Way { return c.way }

// Call calls a method, named as SERVICE/METHOD, and fills out. An answer that is an error is a *Problem.
func (c Caller) Call(ctx context.Context, method string, in, out proto.Message) error {
	if c.way == REST {
		return c.rest(ctx, method, in, out)
	}
	if c.token != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+c.token)
	}
	ctx = metadata.AppendToOutgoingContext(ctx, "x-ponderal-app", App)
	if err := c.service.conn.Invoke(ctx, "/"+pkg+method, in, out); err != nil {
		return fromGRPC(method, err)
	}
	return nil
}

// message is a pointer to a generated message.
type message[T any] interface {
	*T
	proto.Message
}

// Do calls a method and returns its answer.
func Do[T any, P message[T]](ctx context.Context, c Caller, method string, in proto.Message) (P, error) {
	out := P(new(T))
	if err := c.Call(ctx, method, in, out); err != nil {
		return nil, err
	}
	return out, nil
}
