package rpc

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/record"
)

// filler fills messages with everything that their readers take: each field that may be absent is so in about a third of the cases.
type filler struct{ *rand.Rand }

// mayBeAbsent names the messages and enums that a reader takes as absent, by field; texts, numbers, flags and lists always may be.
var mayBeAbsent = map[protoreflect.FullName]bool{
	"ponderal.v1.Session.body": true, "ponderal.v1.BodyMeasures.body_mass": true, "ponderal.v1.Series.stop": true,
	"ponderal.v1.HandDemand.hand": true, "ponderal.v1.Protocol.heart_rate_limit": true, "ponderal.v1.Protocol.heart_rate_start_limit": true,
	"ponderal.v1.Protocol.load_ceiling": true, "ponderal.v1.Protocol.back_off": true, "ponderal.v1.Protocol.screening_limits": true,
	"ponderal.v1.Protocol.calibration": true, "ponderal.v1.Protocol.compression": true, "ponderal.v1.Protocol.capacity_error": true,
	"ponderal.v1.Protocol.repetition_is": true, "ponderal.v1.Protocol.applies_to_sex": true, "ponderal.v1.HeartRateLimit.formula": true,
}

func (g filler) fill(m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		needed := (f.Kind() == protoreflect.MessageKind || f.Kind() == protoreflect.EnumKind) && !f.IsList() && !mayBeAbsent[f.FullName()]
		inOneof := f.ContainingOneof() != nil && !f.ContainingOneof().IsSynthetic()
		if f.Name() == "revision" || inOneof || !needed && g.IntN(3) == 0 {
			continue
		}
		if f.IsList() {
			list := m.Mutable(f).List()
			for range g.IntN(4) {
				list.Append(g.value(f, list.NewElement))
			}
			continue
		}
		m.Set(f, g.value(f, func() protoreflect.Value { return m.NewField(f) }))
	}
	if forms := m.Descriptor().Oneofs().ByName("limit"); forms != nil {
		m.Set(forms.Fields().Get(g.IntN(forms.Fields().Len())), protoreflect.ValueOfUint32(1+g.Uint32N(200)))
	}
}

func (g filler) value(f protoreflect.FieldDescriptor, empty func() protoreflect.Value) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(g.IntN(2) == 0)
	case protoreflect.Uint32Kind:
		return protoreflect.ValueOfUint32(g.Uint32N(1000))
	case protoreflect.Sint32Kind:
		return protoreflect.ValueOfInt32(g.Int32N(500) - 250)
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(g.IntN(21)) / 2)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString([]string{someID, "größe 重", "eve's \"own\" words"}[g.IntN(3)])
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(1 + g.IntN(f.Enum().Values().Len()-1)))
	}
	switch f.Message().FullName() {
	case "ponderal.v1.Mass":
		masses := []*pb.Mass{pounds("50"), pounds("0.125"), {Value: "81.2", Unit: pb.Unit_UNIT_KG}}
		return protoreflect.ValueOfMessage(masses[g.IntN(3)].ProtoReflect())
	case "google.protobuf.Timestamp":
		return protoreflect.ValueOfMessage(timestamppb.New(someTime.Add(time.Duration(g.Int64N(1e9)) * time.Microsecond)).ProtoReflect())
	}
	v := empty()
	g.fill(v.Message())
	return v
}

// sameAfter demands that random messages come back from their record as they went in.
func sameAfter[M proto.Message](t *testing.T, through func(*reader, *writer, M) M) {
	t.Helper()
	g := filler{rand.New(rand.NewPCG(3, 4))}
	var zero M
	for range 500 {
		m := zero.ProtoReflect().New()
		g.fill(m)
		sent := m.Interface().(M)
		r, w := &reader{}, &writer{}
		got := through(r, w, sent)
		if len(r.violations) > 0 || w.err != nil {
			t.Fatalf("%v, %v for %v", r.violations, w.err, sent)
		}
		revision := protocmp.IgnoreMessages(&pb.Revision{})
		if d := cmp.Diff(proto.Message(sent), proto.Message(got), protocmp.Transform(), revision); d != "" {
			t.Fatalf("changed on the way through the record (-sent +got):\n%s", d)
		}
	}
}

func TestRandomMessagesComeBack(t *testing.T) {
	sameAfter(t, func(r *reader, w *writer, m *pb.Session) *pb.Session {
		return w.session(record.Stored[record.Session]{Value: r.session(m, "session")})
	})
	sameAfter(t, func(r *reader, w *writer, m *pb.JobProfile) *pb.JobProfile {
		return w.jobProfile(record.Stored[record.JobProfile]{Value: r.jobProfile(m, "job_profile")})
	})
	sameAfter(t, func(r *reader, w *writer, m *pb.Protocol) *pb.Protocol {
		return w.protocolBody(r.protocol(m, "protocol"))
	})
}
