package caller

import (
	"net/http"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// TestTranscode: the forms of google.api.http (its own documentation, google/api/http.proto) that the contract uses.
func TestTranscode(t *testing.T) {
	client := &ponderalv1.Client{Id: "c1", GivenName: "Tansy"}
	correction := &ponderalv1.CorrectTrialRequest{SessionId: "s1", SeriesNumber: 2, Trial: &ponderalv1.Trial{Number: 5}, Reason: "typed wrong"}
	cases := []struct {
		name, method string
		in           proto.Message
		verb, target string
		body         proto.Message
	}{
		{"path only", "ClientService/GetClient", &ponderalv1.GetClientRequest{Id: "a b/c"}, http.MethodGet, "/v1/clients/a%20b%2Fc", nil},
		{"nested query", "ClientService/ListClients", &ponderalv1.ListClientsRequest{Page: &ponderalv1.Page{Size: 7, Cursor: "x&y"}},
			http.MethodGet, "/v1/clients?page.cursor=x%26y&page.size=7", nil},
		{"field as body", "ClientService/PutClient", &ponderalv1.PutClientRequest{Client: client, ExpectedRevision: 3},
			http.MethodPut, "/v1/clients/c1?expected_revision=3", client},
		{"all as body", "SessionService/CorrectTrial", correction, http.MethodPost, "/v1/sessions/s1/series/2/trials/5:correct", correction},
		{"rest of the path", "LogService/GetLogTile", &ponderalv1.GetLogTileRequest{ClinicId: "c/1", Path: "0/x001/a b.p/5"}, http.MethodGet,
			"/v1/log/c%2F1/tile/0/x001/a%20b.p/5", nil},
		{"nothing", "KeyService/GetKeys", &ponderalv1.GetKeysRequest{}, http.MethodGet, "/v1/keys", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			rule, err := ruleOf(c.method)
			if err != nil {
				t.Fatal(err)
			}
			got, err := transcode(rule, c.in)
			if err != nil {
				t.Fatal(err)
			}
			if got.verb != c.verb || got.target != c.target {
				t.Errorf("got %s %s, want %s %s", got.verb, got.target, c.verb, c.target)
			}
			if c.body == nil {
				if len(got.body) != 0 {
					t.Errorf("got a body: %s", got.body)
				}
				return
			}
			read := c.body.ProtoReflect().New().Interface()
			if err := protojson.Unmarshal(got.body, read); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.body, read, protocmp.Transform()); diff != "" {
				t.Errorf("body (-want +got):\n%s", diff)
			}
		})
	}
}

// TestEveryMethodHasARESTForm: what the contract promises, read by this client.
func TestEveryMethodHasARESTForm(t *testing.T) {
	if _, err := ruleOf("ClientService/NoSuchMethod"); err == nil {
		t.Error("a method that is not there has a rule")
	}
	services := ponderalv1.File_ponderal_v1_sessions_proto.Services()
	for i := range services.Len() {
		methods := services.Get(i).Methods()
		for j := range methods.Len() {
			name := string(services.Get(i).Name()) + "/" + string(methods.Get(j).Name())
			if _, err := ruleOf(name); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}

// TestProblemOverREST: a google.rpc.Status in protobuf's JSON form, with its standard details.
func TestProblemOverREST(t *testing.T) {
	body := []byte(`{"code":10,"message":"differs","details":[
		{"@type":"type.googleapis.com/google.rpc.ErrorInfo","reason":"SESSION_CONFLICT","domain":"ponderal"},
		{"@type":"type.googleapis.com/google.rpc.BadRequest","fieldViolations":[{"field":"session.series[0].trials[1].repetitions","description":"was 4"}]}]}`)
	p, ok := AsProblem(fromREST("SessionService/PushSession", 409, body))
	if !ok {
		t.Fatal("not read as a problem")
	}
	want := &Problem{Method: "SessionService/PushSession", Code: "ABORTED", HTTP: 409, Reason: "SESSION_CONFLICT", Text: "differs",
		Fields: []Field{{"session.series[0].trials[1].repetitions", "was 4"}}}
	if diff := cmp.Diff(want, p); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if !p.Names("trials[1].repetitions") || p.Names("load") {
		t.Error("Names does not tell which fields are named")
	}
	if _, ok := AsProblem(fromREST("x", 502, []byte("<html>"))); ok {
		t.Error("a body that is no status passes as one")
	}
}
