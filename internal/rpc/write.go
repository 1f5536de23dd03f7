package rpc

import (
	"encoding/base64"
	"fmt"
	"math"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// writer turns records into messages. A word or number of a record that the contract cannot say is an error, never left out.
type writer struct{ err error }

func (w *writer) fail(format string, args ...any) {
	if w.err == nil {
		w.err = fmt.Errorf("write message: "+format, args...)
	}
}

// say writes a word that must be there.
func say[E ~int32, W ~string](w *writer, table words[E, W], word W) E {
	value, ok := table.value(word)
	if !ok {
		w.fail("%T %q has no value in the contract", word, word)
	}
	return value
}

// sayOrNone writes a word that may be empty.
func sayOrNone[E ~int32, W ~string](w *writer, table words[E, W], word W) E {
	if word == "" {
		return 0
	}
	return say(w, table, word)
}

func (w *writer) mass(m mass.Mass) *pb.Mass {
	value, unit := m.Canonical()
	return &pb.Mass{Value: value, Unit: say(w, units, unit)}
}

func (w *writer) massOrNone(m *mass.Mass) *pb.Mass {
	if m == nil {
		return nil
	}
	return w.mass(*m)
}

// time writes a moment; the zero moment is absent.
func (w *writer) time(t record.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t.Std())
}

func (w *writer) number(n int) uint32 {
	if n < 0 || n > math.MaxUint32 {
		w.fail("number %d is out of range", n)
		return 0
	}
	return uint32(n)
}

func (w *writer) long(n int64) uint64 {
	if n < 0 {
		w.fail("number %d is negative", n)
		return 0
	}
	return uint64(n)
}

func (w *writer) wholeOrNone(n *int) *uint32 {
	if n == nil {
		return nil
	}
	v := w.number(*n)
	return &v
}

// effortOrNone writes a rating that may be absent.
func (w *writer) effortOrNone(e *record.Effort) *float64 {
	if e == nil {
		return nil
	}
	rating := e.Float()
	return &rating
}

func (w *writer) symptoms(words []record.Symptom) []pb.Symptom {
	var out []pb.Symptom
	for _, s := range words {
		out = append(out, say(w, symptoms, s))
	}
	return out
}

func (w *writer) revision(r record.Revision) *pb.Revision {
	return &pb.Revision{Number: w.number(r.Number), EntryNumber: w.long(r.Entry), RecordedAt: w.time(r.At)}
}

func (w *writer) differences(ds []record.Difference) []*pb.Difference {
	out := make([]*pb.Difference, 0, len(ds))
	for _, d := range ds {
		out = append(out, &pb.Difference{Path: d.Path, Was: d.Was, Now: d.Now})
	}
	return out
}

func (w *writer) roles(rs []record.Role) []pb.Role {
	out := make([]pb.Role, 0, len(rs))
	for _, r := range rs {
		out = append(out, say(w, roles, r))
	}
	return out
}

// base64url is RFC 4648 section 5 without padding, as every digest, salt and hash stands on the wire.
func base64url(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// list writes the items of a list with the function for one.
func list[T any, M any](w *writer, items []record.Stored[T], one func(*writer, record.Stored[T]) M) []M {
	out := make([]M, 0, len(items))
	for _, item := range items {
		out = append(out, one(w, item))
	}
	return out
}

// answered is what a handler returns: the message, unless something of it could not be written.
func answered[M any](w *writer, message *M) (*M, error) {
	if w.err != nil {
		return nil, w.err
	}
	return message, nil
}
