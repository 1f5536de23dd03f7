package e2e

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// foreign: who is allowed here asks for the records there. The answer is that of records that are nowhere, to the byte; nothing there changes; and
// where a record would be made, it is made here, whatever stands under the same id there.
func (x *matrix) foreign() {
	var creators []method
	for _, m := range x.methods {
		names, made := uses(x.test, m.in, x.here), makes(m.in, x.here)
		if made != "" {
			creators = append(creators, m)
		}
		references := slices.DeleteFunc(slices.Clone(names), func(name string) bool { return name == made })
		var variants [][]string
		for _, name := range references {
			variants = append(variants, []string{name})
		}
		if len(references) > 0 && len(names) > 1 {
			variants = append(variants, names)
		}
		if len(names) == 0 {
			variants = [][]string{nil}
		}
		if reads(m) || len(names) > 0 {
			x.foreignTo(m, variants, len(names) > 0)
		}
	}
	for _, m := range creators {
		x.foreignTo(m, [][]string{{makes(m.in, x.here)}}, false)
	}
	x.withheld()
	x.resultOfTheSameID()
}

// foreignTo tries a method with each of the variants, which say what ids are not the own. Unless something may be stored here, nothing changes.
func (x *matrix) foreignTo(m method, variants [][]string, nothing bool) {
	there := x.overThere()
	for _, h := range x.holders {
		if !m.allows(h) {
			continue
		}
		run := func() {
			for _, way := range both {
				for _, names := range variants {
					x.compare(m, h, way, names)
				}
			}
		}
		if nothing && !(h.network && recordedReads[m.name]) {
			x.unchanged(m, h.name+" with the other clinic's ids", run)
		} else {
			run()
		}
	}
	if after := x.overThere(); after != there {
		x.test.Errorf("%s: the other clinic's rows changed:\n%s\nbefore\n%s", m.name, after, there)
	}
}

// compare asks for what is there and for what is nowhere.
func (x *matrix) compare(m method, h *holder, way caller.Way, names []string) {
	t, l := x.test, x.lines[0]
	t.Helper()
	x.combinations += 2
	says := fmt.Sprintf("%s as %s over %v with %v", m.name, h.name, way, names)
	there := l.call(x.ctx, t, way, "Bearer "+h.live, m, moved(t, m.in, x.here, x.there, names...))
	nowhere := l.call(x.ctx, t, way, "Bearer "+h.live, m, moved(t, m.in, x.here, x.nowhere, names...))
	a, b := there.raw, nowhere.raw
	if there.message != nil && nowhere.message != nil {
		// What is stored or disclosed here twice stands in two entries.
		a, b = x.shown(there.message), x.shown(nowhere.message)
	}
	for _, name := range names {
		a = strings.ReplaceAll(a, x.there.ids[name], x.nowhere.ids[name])
	}
	if there.code != nowhere.code || there.http != nowhere.http || a != b {
		t.Errorf("%s: another clinic's ids are answered\n%s %q\nand ids that are nowhere\n%s %q", says, there.code, a, nowhere.code, b)
	}
	if there.code == "UNAUTHENTICATED" || there.code == "PERMISSION_DENIED" || there.code == "INTERNAL" || there.code == "UNIMPLEMENTED" {
		t.Errorf("%s: %s", says, there.code)
	}
	if there.code == "OK" && len(names) > 0 && reads(m) && strings.HasPrefix(string(m.Name()), "Get") {
		t.Errorf("%s: shows a record: %q", says, a)
	}
	// The network's own people may list both clinics.
	if h.network && m.access.GetScope() == pb.Scope_SCOPE_NETWORK {
		return
	}
	if strings.Contains(there.raw, eastMark) || strings.Contains(there.raw, x.there.clinic) {
		t.Errorf("%s: shows the other clinic: %q", says, there.raw)
	}
}

// shown is a good answer without its revisions and what is new each time.
func (x *matrix) shown(m proto.Message) string {
	x.test.Helper()
	out := proto.Clone(m)
	clearRevisions(out.ProtoReflect())
	if f := out.ProtoReflect().Descriptor().Fields().ByName("data"); f != nil && m.ProtoReflect().Descriptor().Name() == "HttpBody" {
		// An export by the auditor makes the log longer, of which the entries of reads and the last line tell.
		var kept []string
		for line := range strings.Lines(string(out.ProtoReflect().Get(f).Bytes())) {
			if !strings.Contains(line, `"end":true`) && !strings.Contains(line, `"record.read"`) {
				kept = append(kept, line)
			}
		}
		out.ProtoReflect().Set(f, protoreflect.ValueOfBytes([]byte(strings.Join(kept, ""))))
	}
	return string(must(protojson.MarshalOptions{Multiline: true}.Marshal(out))(x.test))
}

func clearRevisions(m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.Message() != nil && f.Message().Name() == "Revision":
			m.Clear(f)
		case f.Message() != nil && f.IsList():
			for i := range v.List().Len() {
				clearRevisions(v.List().Get(i).Message())
			}
		case f.Message() != nil && !f.IsMap():
			clearRevisions(v.Message())
		}
		return true
	})
}

// withheld: a result that is not released to the payer any more is to it as one that never was, and as the other payer's.
func (x *matrix) withheld() {
	m, h := x.find("ResultService/GetResult"), x.holder("payer")
	for _, way := range both {
		var answers []string
		for _, result := range []string{x.nowhere.ids["result"], x.here.ids["withheld"], x.there.ids["withheld"], x.there.ids["result"]} {
			x.combinations++
			got := x.lines[0].call(x.ctx, x.test, way, "Bearer "+h.live, m, &pb.GetResultRequest{Id: result})
			answers = append(answers, got.code+strings.ReplaceAll(got.raw, result, "RESULT"))
		}
		if !strings.HasPrefix(answers[0], "NOT_FOUND") || len(slices.Compact(answers)) != 1 {
			x.test.Errorf("a payer over %v: results that are not released are answered %q", way, answers)
		}
	}
}

// resultOfTheSameID: a reviewer signs under an id that a result there has. It is taken as an id that is nowhere, and the other payer's result stays.
func (x *matrix) resultOfTheSameID() {
	there := x.overThere()
	m, h := x.find("ResultService/SignResult"), x.holder("reviewer")
	for session, result := range map[string]string{"signable": x.there.ids["result"], "signable too": x.nowhere.ids["result"]} {
		x.combinations++
		in := &pb.SignResultRequest{Proof: proof(), SessionId: x.here.ids[session], ResultId: result, SessionRevision: 1, Comment: "same id elsewhere",
			Meaning: pb.SignatureMeaning_SIGNATURE_MEANING_REVIEWED, Decision: pb.JobOutcome_JOB_OUTCOME_CANNOT_BE_DETERMINED}
		if got := x.lines[0].call(x.ctx, x.test, caller.GRPC, "Bearer "+h.live, m, in); got.code != "OK" {
			x.test.Errorf("a result under %s: %s %q", result, got.code, got.raw)
		}
	}
	if after := x.overThere(); after != there {
		x.test.Errorf("a result of the same id changed the other clinic's rows:\n%s\nbefore\n%s", after, there)
	}
}

func (x *matrix) find(name string) method {
	return x.methods[slices.IndexFunc(x.methods, func(m method) bool { return m.name == name })]
}

func (x *matrix) holder(name string) *holder {
	return x.holders[slices.IndexFunc(x.holders, func(h *holder) bool { return h.name == name })]
}

// feed: the payer's own feed shows its results here, of the one that is not released any more the id alone, and nothing of the other payer's.
func (x *matrix) feed() {
	for _, way := range both {
		x.combinations++
		got := &pb.ListFeedResponse{}
		if err := x.service.As(x.holder("payer").live, way).Call(x.ctx, "FeedService/ListFeed", &pb.ListFeedRequest{}, got); err != nil {
			x.test.Errorf("feed over %v: %v", way, err)
		}
		shown := map[string]bool{}
		for _, item := range got.Items {
			result := item.GetResult()
			shown[result.GetId()] = result.GetBundle() != nil
			if item.Withheld && !proto.Equal(result, &pb.Result{Id: result.GetId()}) || !item.Withheld && result.GetClinicId() != x.here.clinic {
				x.test.Errorf("feed over %v shows %v", way, item)
			}
		}
		withheld, known := shown[x.here.ids["withheld"]]
		if !shown[x.here.ids["result"]] || !known || withheld || len(shown) < 3 {
			x.test.Errorf("feed over %v shows results (true: with what they say) %v", way, shown)
		}
	}
}

// own: with the own records every method does its work for whom the rule names: once at least, and after that what is due to a repetition.
func (x *matrix) own() {
	there := x.overThere()
	for _, m := range x.methods {
		if knocks[m.name] {
			continue // whom they let in, the tests of signing in show
		}
		good := ownLogin[m.name]
		for _, h := range x.holders {
			if !m.allows(h) {
				continue
			}
			for _, way := range both {
				x.combinations++
				got := x.lines[0].call(x.ctx, x.test, way, "Bearer "+x.presented(m, h), m, m.in)
				again := !reads(m) && good && (got.code == "ABORTED" || got.code == "FAILED_PRECONDITION")
				good = good || got.code == "OK"
				if got.code != "OK" && !again {
					x.test.Errorf("%s as %s over %v: %s %q", m.name, h.name, way, got.code, got.raw)
				}
				if word, isRead := ownWord(m, x.here); isRead && got.code == "OK" && !strings.Contains(fmt.Sprint(got.message), word) {
					x.test.Errorf("%s as %s over %v: does not show %s: %q", m.name, h.name, way, word, got.raw)
				}
				if !h.network && (strings.Contains(got.raw, eastMark) || strings.Contains(got.raw, x.there.clinic)) {
					x.test.Errorf("%s as %s over %v: shows the other clinic: %q", m.name, h.name, way, got.raw)
				}
			}
		}
		if !good {
			x.test.Errorf("%s: nobody got a good answer", m.name)
		}
	}
	x.feed()
	if after := x.overThere(); after != there {
		x.test.Errorf("work on the own records changed the other clinic's rows:\n%s\nbefore\n%s", after, there)
	}
}

// ownWord is what an answer that shows a record of the place must hold, for the methods that read one by its id.
func ownWord(m method, p *place) (word string, isRead bool) {
	for path, name := range askedFor {
		if message, _, _ := strings.Cut(path, "."); message == string(m.Input().Name()) && !slices.Contains([]string{"AuditService/GetScoreHistory", "AuditService/ListDisclosures", "AuditService/CompareFindings"}, m.name) {
			return p.ids[name], true
		}
	}
	return "", false
}
