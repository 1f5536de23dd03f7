package gateway

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/encoding/protojson"

	"ponderal.example/internal/fault"
)

// refusal is an answer that the gateway gives by itself.
type refusal struct {
	status int
	fault  *fault.Error
}

// body is a request's body with its limit. It remembers why it was refused, because the generated code between the decoder and the
// error handler keeps of an error only its text. It belongs to its request's goroutine.
type body struct {
	io.ReadCloser
	refused *refusal
	// whole is the body without its limit.
	whole io.Reader
	// route and params say what the path has filled in.
	route  *route
	params map[string]string
}

// maxDrain is how many bytes of a body that is too large are read and thrown away.
const maxDrain = 64 << 20

// drain reads on to the end of a body that is too large, within reason. Many clients read an answer only once they have written all; if the
// connection broke before, they would never see it.
func drain(from io.Reader) {
	// What cannot be read cannot be answered either.
	_, _ = io.CopyN(io.Discard, from, maxDrain)
}

// strictJSON reads bodies strictly and writes answers: lowerCamelCase names, fields without a value left out.
type strictJSON struct{ *runtime.JSONPb }

func newStrictJSON() strictJSON {
	return strictJSON{&runtime.JSONPb{
		MarshalOptions:   protojson.MarshalOptions{EmitUnpopulated: false},
		UnmarshalOptions: protojson.UnmarshalOptions{DiscardUnknown: false},
	}}
}

// NewDecoder reads the whole of r as one JSON value and nothing after it.
func (j strictJSON) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(into any) error {
		b, ours := r.(*body)
		refused := j.decode(r, into)
		if refused == nil && ours {
			refused = b.route.contradicted(into, b.params)
		}
		if refused == nil {
			return nil
		}
		if ours {
			b.refused = refused
			if refused.status == http.StatusRequestEntityTooLarge {
				drain(b.whole)
			}
		}
		return refused.fault
	})
}

func (j strictJSON) decode(r io.Reader, into any) *refusal {
	data, err := io.ReadAll(r)
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return bodyTooLarge(tooLarge.Limit)
	case err != nil:
		return badBody(fmt.Sprintf("the body broke off after %d bytes", len(data)), err)
	case len(bytes.TrimSpace(data)) == 0:
		return badBody("a JSON body is needed and there is none", nil)
	}
	if err := json.Unmarshal(data, new(json.RawMessage)); err != nil {
		return badBody(whereBroken(data, err), err)
	}
	if err := j.Unmarshal(data, into); err != nil {
		// protojson writes "proto: (line 1:5): ...", with a space of its choice after the colon.
		text := strings.TrimLeft(strings.TrimPrefix(err.Error(), "proto:"), " \u00a0")
		return badBody("the body does not fit the method: "+text, nil)
	}
	return nil
}

// whereBroken says where the JSON ends too early or is none.
func whereBroken(data []byte, err error) string {
	var syntax *json.SyntaxError
	if !errors.As(err, &syntax) {
		return "the body is not JSON"
	}
	at := min(int(syntax.Offset), len(data))
	line := 1 + bytes.Count(data[:at], []byte("\n"))
	column := at - bytes.LastIndexByte(data[:at], '\n') - 1
	if at == len(data) && strings.Contains(syntax.Error(), "unexpected end") {
		return fmt.Sprintf("the body ends at line %d, column %d before its JSON is complete", line, column)
	}
	return fmt.Sprintf("the body is not JSON at line %d, column %d", line, column)
}

func badBody(text string, cause error) *refusal {
	return &refusal{http.StatusBadRequest, &fault.Error{
		Kind: fault.Invalid, Reason: "MALFORMED_BODY", Text: text, Cause: cause,
		Violations: []fault.Violation{{Field: "body", Rule: "json", Text: text}},
	}}
}

func bodyTooLarge(limit int64) *refusal {
	return &refusal{http.StatusRequestEntityTooLarge, fault.Newf(fault.TooLarge, "TOO_LARGE",
		"the body is larger than %d bytes, the most that the service takes; send less at once", limit)}
}
