// Package rpc is the gRPC face of the service: one file per service turns messages into records and back and calls one use case; an
// ordered list of links (chain.go) stands before every handler; one table (faults.go) turns kinds of failure into gRPC codes.
//
// It is the only package that names gRPC codes. What it logs are ids, codes and durations, never messages: they describe people.
package rpc
