// Package gateway is the REST face of the service: the routes that the contract declares, each turned into a call of the gRPC server over
// a connection inside the process, so that every rule and every log line of package rpc applies.
//
// It is strict: unknown fields, unknown query parameters, other content types and bodies that are not whole JSON are refused, and every
// answer, also that of a route which does not exist, has the form of google.rpc.Status with details.
package gateway
