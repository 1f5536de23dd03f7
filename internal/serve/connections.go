package serve

import (
	"context"
	"crypto/tls"
	"errors"
	"net"

	"google.golang.org/grpc/credentials"
)

// connections are what gRPC asks about its connections: on those of the listener for TLS it finishes the handshake, so that calls know the client
// certificate; all others are taken as they are.
type connections struct{}

// ServerHandshake finishes the handshake of a TLS connection. Its time is bounded by gRPC's limit for new connections.
func (connections) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	secured, ok := conn.(*tls.Conn)
	if !ok {
		return conn, nil, nil
	}
	if err := secured.Handshake(); err != nil {
		return nil, nil, errors.Join(err, conn.Close())
	}
	state := secured.ConnectionState()
	if state.NegotiatedProtocol != "h2" {
		return nil, nil, errors.Join(errors.New("the caller did not ask for HTTP/2 (RFC 9113, section 3.2)"), conn.Close())
	}
	return conn, credentials.TLSInfo{State: state, CommonAuthInfo: credentials.CommonAuthInfo{SecurityLevel: credentials.PrivacyAndIntegrity}}, nil
}

// ClientHandshake is for callers, which a server is not.
func (connections) ClientHandshake(context.Context, string, net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return nil, nil, errors.New("these credentials are a server's")
}

// Info names what is spoken.
func (connections) Info() credentials.ProtocolInfo {
	return credentials.ProtocolInfo{SecurityProtocol: "tls"}
}

// Clone is the same, since there is nothing that could differ.
func (c connections) Clone() credentials.TransportCredentials { return c }

// OverrideServerName is for callers.
func (connections) OverrideServerName(string) error {
	return errors.New("these credentials are a server's")
}
