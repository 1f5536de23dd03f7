package e2e

import (
	"encoding/base64"
	"net/http"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"
	"google.golang.org/protobuf/encoding/protojson"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/casework"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/record"
)

func treeHashes(t testing.TB, texts ...string) []tlog.Hash {
	t.Helper()
	var out []tlog.Hash
	for _, text := range texts {
		raw := must(base64.RawURLEncoding.DecodeString(text))(t)
		if len(raw) != tlog.HashSize {
			t.Fatalf("a hash of %d bytes", len(raw))
		}
		out = append(out, tlog.Hash(raw))
	}
	return out
}

// TestConsistencyOverBothTransports: a payer keeps two checkpoints of a clinic's log and asks for the proof between them; golang.org/x/mod/sumdb/tlog takes
// it, against the roots that the checkpoints signed, and so does what holds two heads together offline.
func TestConsistencyOverBothTransports(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.furnish(placeOf(2), westMark, payer)
	clinic, token := placeOf(2).clinic, w.payerToken(payer)
	m := w.monitor(clinic, token)
	_, _, older := m.get("/checkpoint")
	before := m.head(w, clinic)
	w.fillTo(clinic, int(before.N)+20)
	_, _, newer := m.get("/checkpoint")
	after := m.head(w, clinic)
	for _, way := range []caller.Way{caller.GRPC, caller.REST} {
		call := w.service.As(token, way)
		var got pb.GetConsistencyProofResponse
		if err := call.Call(w.ctx, "LogService/GetConsistencyProof", &pb.GetConsistencyProofRequest{ClinicId: clinic, OldSize: uint64(before.N)}, &got); err != nil {
			t.Fatalf("%s: %v", way, err)
		}
		roots := treeHashes(t, got.GetOldRoot(), got.GetNewRoot())
		if int64(got.GetNewSize()) != after.N || roots[0] != before.Hash || roots[1] != after.Hash || got.GetCheckpoint() != string(newer) {
			t.Errorf("%s: %v", way, &got)
		}
		if err := tlog.CheckTree(treeHashes(t, got.GetPath()...), after.N, after.Hash, before.N, before.Hash); err != nil {
			t.Errorf("%s: %v", way, err)
		}
		var leaf pb.GetInclusionProofResponse
		if err := call.Call(w.ctx, "LogService/GetInclusionProof", &pb.GetInclusionProofRequest{ClinicId: clinic, Number: 3, Size: uint64(before.N)}, &leaf); err != nil {
			t.Fatalf("%s: %v", way, err)
		}
		if err := tlog.CheckRecord(treeHashes(t, leaf.GetPath()...), before.N, before.Hash, 3, treeHashes(t, leaf.GetLeafHash())[0]); err != nil {
			t.Errorf("%s: inclusion: %v", way, err)
		}
	}
	w.heldTogether(m, string(older), string(newer), before, after)
}

// heldTogether asks as the command's own words say to, and holds the two heads together with what comes back.
func (w *world) heldTogether(m *monitor, older, newer string, before, after tlog.Tree) {
	t := w.t
	t.Helper()
	ring := w.published()
	old, latest := must(bundle.OpenHead(ring, nil, "", older))(t), must(bundle.OpenHead(ring, nil, "", newer))(t)
	report := must(bundle.CompareHeads(ring, old, latest, nil))(t)
	if report.Verdict != bundle.HeadsNeedProof {
		t.Fatalf("without a proof: %s", report.Verdict)
	}
	m.prefix = "http://" + w.at.REST
	status, _, answer := m.get(report.Request()[len("GET "):])
	if status != http.StatusOK {
		t.Fatalf("%s: HTTP %d, %s", report.Request(), status, answer)
	}
	proof := must(bundle.ParseHeadProof(answer))(t)
	if report = must(bundle.CompareHeads(ring, old, latest, &proof))(t); report.Verdict != bundle.HeadsConsistent {
		t.Errorf("%d with %d: %s, %s", before.N, after.N, report.Verdict, report.Why)
	}
}

// TestProofsTellOutsidersNothing: what is not there, what one may not follow and what the log is too short for are one answer; sizes that no log has are refused
// without a look.
func TestProofsTellOutsidersNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	here, there, nowhere := placeOf(2), placeOf(1), placeOf(9)
	must(w.cases.PutPayer(w.ctx, w.network(""), record.Payer{ID: otherPayer, Name: "Imagined Assurance"}, 0))(t)
	w.furnish(here, westMark, payer)
	w.furnish(there, eastMark, otherPayer)
	payers := w.payerToken(payer)
	auditors, _ := w.mint(casework.NewToken{Label: "auditor", Roles: []record.Role{record.RoleNetworkAuditor}}, 48*time.Hour)
	for _, way := range []string{payers, auditors} {
		var none string
		for _, c := range []struct {
			clinic, path string
			want         int
		}{
			{nowhere.clinic, "/consistency?oldSize=1", 404}, {here.clinic, "/consistency?oldSize=1000000", 404}, {here.clinic, "/consistency?oldSize=1&newSize=1000000", 404},
			{here.clinic, "/consistency?oldSize=18446744073709551615", 404}, {here.clinic, "/inclusion/1000000", 404}, {here.clinic, "/inclusion/5?size=5", 404},
			{here.clinic, "/inclusion/18446744073709551615", 404}, {nowhere.clinic, "/inclusion/0", 404}, {nowhere.clinic, "/cosignatures", 404},
			{here.clinic, "/inclusion/4?size=5", 200}, {here.clinic, "/consistency?oldSize=5&newSize=5", 200}, {here.clinic, "/cosignatures", 200},
			{here.clinic, "/consistency?oldSize=5&newSize=4", 400}, {nowhere.clinic, "/consistency?oldSize=5&newSize=4", 400}, {here.clinic, "/consistency", 400},
			{here.clinic, "/consistency?oldSize=0", 400}, {here.clinic, "/consistency?oldSize=-1", 400}, {here.clinic, "/cosignatures?page.cursor=x", 400},
			{here.clinic, "/cosignatures?page.size=501", 400}, {"no-uuid", "/consistency?oldSize=1", 400},
		} {
			status, header, body := w.monitor(c.clinic, way).get(c.path)
			if status != c.want {
				t.Errorf("%s of %s: HTTP %d, want %d: %s", c.path, c.clinic, status, c.want, body)
			}
			if status != http.StatusNotFound {
				continue
			}
			text := without(string(body), header.Values("X-Request-Id"))
			if none == "" {
				none = text
			}
			if text != none {
				t.Errorf("%s of %s is answered %q, another %q", c.path, c.clinic, text, none)
			}
		}
	}
	for _, path := range []string{"/consistency?oldSize=1", "/inclusion/0", "/cosignatures"} {
		foreign, header, body := w.monitor(there.clinic, payers).get(path)
		none, other, answer := w.monitor(nowhere.clinic, payers).get(path)
		if foreign != 404 || none != 404 || without(string(body), header.Values("X-Request-Id")) != without(string(answer), other.Values("X-Request-Id")) {
			t.Errorf("%s: a log one may not follow is answered %d %s, and none %d %s", path, foreign, body, none, answer)
		}
	}
	var names pb.GetConsistencyProofResponse
	_, _, body := w.monitor(here.clinic, payers).get("/consistency?oldSize=1")
	if err := protojson.Unmarshal(body, &names); err != nil || names.GetOldSize() != 1 {
		t.Errorf("%s: %v", body, err)
	}
}
