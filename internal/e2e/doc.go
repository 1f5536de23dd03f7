// Package e2e holds the tests of the whole service: in this process, over real sockets, on a real Postgres, through gRPC and REST alike.
package e2e
