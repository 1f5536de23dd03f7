package caller

import (
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/code"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
)

// Problem is an answer that is an error, read from its machine-readable details: the same over both transports.
type Problem struct {
	Method string
	// Code is the name of the google.rpc.Code, for example ABORTED.
	Code string
	// HTTP is the status over REST; 0 over gRPC.
	HTTP int
	// Reason is the stable code of the service, from google.rpc.ErrorInfo.
	Reason string
	Text   string
	Fields []Field
}

// Field is one field that breaks a rule or differs.
type Field struct{ Path, Says string }

// Error gives one line.
func (p *Problem) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s", p.Method, p.Code)
	if p.Reason != "" {
		fmt.Fprintf(&b, " (%s)", p.Reason)
	}
	fmt.Fprintf(&b, ": %s", p.Text)
	for _, f := range p.Fields {
		fmt.Fprintf(&b, "; %s: %s", f.Path, f.Says)
	}
	return b.String()
}

// Names reports whether a field whose path ends so is among those named.
func (p *Problem) Names(suffix string) bool {
	for _, f := range p.Fields {
		if strings.HasSuffix(f.Path, suffix) {
			return true
		}
	}
	return false
}

// AsProblem finds the Problem in an error.
func AsProblem(err error) (*Problem, bool) {
	var p *Problem
	ok := errors.As(err, &p)
	return p, ok
}

func fromGRPC(method string, err error) error {
	s, ok := status.FromError(err)
	if !ok {
		return fmt.Errorf("%s: %w", method, err)
	}
	return problemOf(method, s.Proto(), 0)
}

func fromREST(method string, httpStatus int, body []byte) error {
	var s spb.Status
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, &s); err != nil {
		return fmt.Errorf("%s: HTTP status %d with an error body that is no google.rpc.Status: %w", method, httpStatus, err)
	}
	return problemOf(method, &s, httpStatus)
}

func problemOf(method string, s *spb.Status, httpStatus int) *Problem {
	p := &Problem{Method: method, Code: code.Code(s.GetCode()).String(), HTTP: httpStatus, Text: s.GetMessage()}
	for _, any := range s.GetDetails() {
		detail, err := any.UnmarshalNew()
		if err != nil {
			continue // a detail of a later version; the code and the text stand
		}
		switch d := detail.(type) {
		case *errdetails.ErrorInfo:
			p.Reason = d.GetReason()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				p.Fields = append(p.Fields, Field{Path: v.GetField(), Says: v.GetDescription()})
			}
		}
	}
	return p
}
