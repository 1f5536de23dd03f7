// Package serve owns the listeners: gRPC, REST and metrics; what may be served on them and how; and the order of start and stop.
//
// Start binds everything or nothing. Stop goes: not serving, so that load balancers turn away; REST drained; gRPC drained, then cut
// at the deadline; the workers that no call asks for. The database pool is not its own: the caller closes that once Stop has returned and no call can use it.
package serve
