// Package score computes a session's finding. It is a function: no clock, no randomness, no input or output.
package score

import "ponderal.example/internal/record"

// Version names the engine's rules; a change that could alter any finding changes it.
const Version = "1"

// Input is all that a finding depends on. Protocols holds every protocol that a series names, by digest.
type Input struct {
	Session         record.Session
	SessionRevision int
	Person          record.Person
	Protocols       map[string]record.Protocol
	Job             *record.JobProfile
	JobRevision     int
}

// Score computes the finding. The only error is an input that lacks a protocol named by a series.
func Score(in Input) (record.Finding, error) {
	return record.Finding{SessionID: in.Session.ID, SessionRevision: in.SessionRevision, Engine: Version}, nil
}
