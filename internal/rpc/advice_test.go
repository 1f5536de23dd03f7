package rpc_test

import (
	"bytes"
	"io"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/rpc"
)

// adviceExample is the request of the example file, with text replaced once for each pair.
func adviceExample(t *testing.T, pairs ...string) *pb.AdviseRequest {
	t.Helper()
	text, err := os.ReadFile("../../testdata/examples/advice.json")
	if err != nil {
		t.Fatal(err)
	}
	changed := string(text)
	for i := 0; i+1 < len(pairs); i += 2 {
		if !strings.Contains(changed, pairs[i]) {
			t.Fatalf("the example has no %s", pairs[i])
		}
		changed = strings.Replace(changed, pairs[i], pairs[i+1], 1)
	}
	req := &pb.AdviseRequest{}
	if err := protojson.Unmarshal([]byte(changed), req); err != nil {
		t.Fatal(err)
	}
	return req
}

// TestAdvise: the rest of the example is 20 s short, and then 25 lb follow; what changes in it changes the advice. Both transports and the
// command's desk give the same answer.
func TestAdvise(t *testing.T) {
	service := serve(t, io.Discard)
	desk, err := rpc.NewDesk()
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		pairs        []string
		action, then pb.AdviceAction
		load         string
		guard        string
		cautions     []string
	}{
		"rest short":         {nil, pb.AdviceAction_ADVICE_ACTION_WAIT, pb.AdviceAction_ADVICE_ACTION_ADVANCE, "25", "rest", []string{"judgement"}},
		"rest over":          {[]string{`"restSeconds": 40`, `"restSeconds": 60`}, pb.AdviceAction_ADVICE_ACTION_ADVANCE, 0, "25", "mechanics", []string{"judgement"}},
		"effort at the stop": {[]string{`"effortRating": 6`, `"effortRating": 8`}, pb.AdviceAction_ADVICE_ACTION_STOP, 0, "", "effort_stop", []string{"judgement", "stop"}},
		"not completed":      {[]string{`"repetitions": 4,` + "\n      \"heartRateBpm\": 112", `"repetitions": 3, "heartRateBpm": 112`, `"restSeconds": 40`, `"restSeconds": 60`}, pb.AdviceAction_ADVICE_ACTION_BACK_OFF, 0, "15", "mechanics", []string{"judgement"}},
		"systolic above":     {[]string{`"systolicMmhg": 124`, `"systolicMmhg": 181`}, pb.AdviceAction_ADVICE_ACTION_STOP, 0, "", "screening", []string{"judgement", "stop"}},
		"tote too old":       {[]string{`"verifiedOn": "2026-01-12"`, `"verifiedOn": "2025-03-01"`}, pb.AdviceAction_ADVICE_ACTION_WAIT, pb.AdviceAction_ADVICE_ACTION_ADVANCE, "25", "calibration", []string{"judgement"}},
		"symptom now":        {[]string{`"heartRateBpm": 104`, `"heartRateBpm": 104, "symptoms": ["SYMPTOM_CHEST_PAIN"]`}, pb.AdviceAction_ADVICE_ACTION_STOP, 0, "", "symptom", []string{"judgement", "stop"}},
	} {
		req := adviceExample(t, c.pairs...)
		var first *pb.AdviseResponse
		for _, way := range ways {
			got, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("evaluator", way), "AdviceService/Advise", req)
			if err != nil {
				t.Fatalf("%s over %s: %v", name, way, err)
			}
			if first == nil {
				first = got
			}
			if !proto.Equal(first, got) {
				t.Errorf("%s: the transports differ:\n%v\n%v", name, first, got)
			}
		}
		if first.GetAction() != c.action || first.GetThen() != c.then || first.GetLoad().GetValue() != c.load {
			t.Errorf("%s: %s, then %s, %v", name, first.GetAction(), first.GetThen(), first.GetLoad())
		}
		if len(first.GetReasons()) == 0 || first.GetReasons()[0].GetGuard() != c.guard {
			t.Errorf("%s: reasons %v, want %s first", name, first.GetReasons(), c.guard)
		}
		var codes []string
		for _, caution := range first.GetCautions() {
			codes = append(codes, caution.GetCode())
		}
		if !slices.Equal(codes, c.cautions) {
			t.Errorf("%s: cautions %q, want %q", name, codes, c.cautions)
		}
		text, err := protojson.Marshal(req)
		if err != nil {
			t.Fatal(err)
		}
		_, line, err := desk.Advise(text)
		atDesk := &pb.AdviseResponse{}
		if err != nil || protojson.Unmarshal(line, atDesk) != nil || !proto.Equal(atDesk, first) {
			t.Errorf("%s: at a desk %s, %v", name, line, err)
		}
	}
}

// TestAdviseRecipe: the inserts that make the next load, different ones from those asked for, and the nearest loads where the kit does not make
// it: then the advice is to wait and no load is told.
func TestAdviseRecipe(t *testing.T) {
	service := serve(t, io.Discard)
	rested := []string{`"restSeconds": 40`, `"restSeconds": 60`}
	for name, c := range map[string]struct {
		pairs               []string
		action              pb.AdviceAction
		codes               []string
		load, recipe        string
		below, above, guard string
	}{
		"made": {rested, pb.AdviceAction_ADVICE_ACTION_ADVANCE, []string{"M2", "P4"}, "25", "25", "", "", "mechanics"},
		"made otherwise": {append([]string{`"now":`, `"differFromCodes": ["M2", "P4"], "now":`}, rested...),
			pb.AdviceAction_ADVICE_ACTION_ADVANCE, []string{"M2", "K7", "R9", "S3"}, "25", "25", "", "", "mechanics"},
		"not made": {append([]string{`"code": "P4", "mass": {"value": "10"`, `"code": "P4", "mass": {"value": "30"`, `"code": "S3", "mass": {"value": "2.5"`, `"code": "S3", "mass": {"value": "3"`}, rested...),
			pb.AdviceAction_ADVICE_ACTION_WAIT, nil, "", "", "23", "25.5", "recipe"},
		"made within a tolerance": {append([]string{`"code": "P4", "mass": {"value": "10"`, `"code": "P4", "mass": {"value": "30"`, `"code": "S3", "mass": {"value": "2.5"`, `"code": "S3", "mass": {"value": "3"`,
			`"now":`, `"loadTolerance": {"value": "0.5", "unit": "UNIT_LB"}, "now":`}, rested...),
			pb.AdviceAction_ADVICE_ACTION_ADVANCE, []string{"M2", "K7", "S3", "R9"}, "25", "25.5", "", "", "mechanics"},
	} {
		req := adviceExample(t, c.pairs...)
		for _, way := range ways {
			got, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("evaluator", way), "AdviceService/Advise", req)
			if err != nil {
				t.Fatalf("%s over %s: %v", name, way, err)
			}
			if got.GetAction() != c.action || got.GetLoad().GetValue() != c.load || got.GetRecipe().GetLoad().GetValue() != c.recipe ||
				!slices.Equal(got.GetRecipe().GetCodes(), c.codes) || got.GetNearestBelow().GetValue() != c.below ||
				got.GetNearestAbove().GetValue() != c.above || got.GetReasons()[0].GetGuard() != c.guard {
				t.Errorf("%s over %s: %v", name, way, got)
			}
		}
	}
}

// TestAdviseStart: before the first trial the start load is advised, with the cautions of a start.
func TestAdviseStart(t *testing.T) {
	req := adviceExample(t)
	req.Trials, req.RestSeconds = nil, nil
	service := serve(t, io.Discard)
	got, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("station", caller.REST), "AdviceService/Advise", req)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetAction() != pb.AdviceAction_ADVICE_ACTION_START || got.GetLoad().GetValue() != "10" || len(got.GetCautions()) != 2 || got.GetCautions()[1].GetCode() != "start" {
		t.Errorf("%v", got)
	}
	if !got.GetEarliestAt().AsTime().Equal(req.GetNow().AsTime()) {
		t.Errorf("earliest %v", got.GetEarliestAt().AsTime())
	}
}

// TestAdviseRefuses: what is wrong is named by its field over both transports; just beside it the request is answered.
func TestAdviseRefuses(t *testing.T) {
	service := serve(t, io.Discard)
	for name, c := range map[string]struct {
		pairs []string
		field string
	}{
		"sound":                   {nil, ""},
		"zone not the protocol's": {[]string{`"zone": "ZONE_FLOOR_WAIST"`, `"zone": "ZONE_CARRY"`}, "zone"},
		"trial after now":         {[]string{`"now": "2026-03-02T09:03:00Z"`, `"now": "2026-03-02T09:01:59Z"`}, "trials[1].at"},
		"trial now":               {[]string{`"now": "2026-03-02T09:03:00Z"`, `"now": "2026-03-02T09:02:00Z"`}, ""},
		"every trial after now":   {[]string{`"now": "2026-03-02T09:03:00Z"`, `"now": "2026-03-02T08:00:00Z"`}, "trials[0].at"},
		"order of trials":         {[]string{`"number": 2`, `"number": 3`}, "trials[1].number"},
		"recipe sum":              {[]string{`"insertCodes": ["K7", "M2"]`, `"insertCodes": ["M2"]`}, "trials[1].load"},
		"pressures":               {[]string{`"diastolicMmhg": 80`, `"diastolicMmhg": 124`}, "screening.diastolic_mmhg"},
		"no body mass":            {[]string{`{"value": "68", "unit": "UNIT_KG"}`, `{"value": "0", "unit": "UNIT_KG"}`}, "body_mass"},
		"protocol":                {[]string{`"effortStop": 8`, `"effortStop": 0.5`}, "protocol.effort_stop"},
		"back-off of nothing":     {[]string{`"backOff": {"value": "5"`, `"backOff": {"value": "0"`}, "protocol.back_off"},
		"kit":                     {[]string{`"code": "M2"`, `"code": "K7"`}, "kit.inserts[1].code"},
		"heart rate 251":          {[]string{`"heartRateBpm": 104`, `"heartRateBpm": 251`}, "heart_rate_bpm"},
		"stature":                 {[]string{`"statureMm": 1650`, `"statureMm": 999`}, "stature_mm"},
		"lowest stature":          {[]string{`"statureMm": 1650`, `"statureMm": 1000`}, ""},
		"unlike a code":           {[]string{`"now":`, `"differFromCodes": ["K7", "X1"], "now":`}, "differ_from_codes[1]"},
		"unlike one code twice":   {[]string{`"now":`, `"differFromCodes": ["K7", "K7"], "now":`}, "differ_from_codes[1]"},
		"unlike":                  {[]string{`"now":`, `"differFromCodes": ["K7"], "now":`}, ""},
		"tolerance":               {[]string{`"now":`, `"loadTolerance": {"value": "-1", "unit": "UNIT_LB"}, "now":`}, "load_tolerance.value"},
		"no moment":               {[]string{`"now": "2026-03-02T09:03:00Z",`, ``}, "now"},
	} {
		req := adviceExample(t, c.pairs...)
		for _, way := range ways {
			_, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("evaluator", way), "AdviceService/Advise", req)
			if c.field == "" {
				if err != nil {
					t.Errorf("%s over %s: %v", name, way, err)
				}
				continue
			}
			p, ok := caller.AsProblem(err)
			found := false
			for i := 0; ok && i < len(p.Fields); i++ {
				found = found || p.Fields[i].Path == c.field
			}
			if !found {
				t.Errorf("%s over %s: %v, want %s", name, way, err, c.field)
			}
		}
	}
}

// TestAdviceNeedsARole: every role of a clinic and of the network may ask, a payer may not.
func TestAdviceNeedsARole(t *testing.T) {
	service := serve(t, io.Discard)
	for role, may := range map[string]bool{
		"evaluator": true, "reviewer": true, "clinic_admin": true, "station": true, "network_auditor": true, "network_admin": true, "payer": false,
	} {
		_, err := caller.Do[pb.AdviseResponse](t.Context(), service.As(role, caller.GRPC), "AdviceService/Advise", adviceExample(t))
		p, refused := caller.AsProblem(err)
		if may && err != nil || !may && (!refused || p.Code != "PERMISSION_DENIED") {
			t.Errorf("%s: %v", role, err)
		}
	}
}

// TestHouseProtocols: page by page the same list as at once, over both transports; each can be taken for advice as it is.
func TestHouseProtocols(t *testing.T) {
	service := serve(t, io.Discard)
	for _, way := range ways {
		as := service.As("clinic_admin", way)
		all, err := caller.Do[pb.ListHouseProtocolsResponse](t.Context(), as, "AdviceService/ListHouseProtocols", &pb.ListHouseProtocolsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		if len(all.GetProtocols()) != 40 || all.GetNextCursor() != "" {
			t.Fatalf("over %s: %d protocols, next %q", way, len(all.GetProtocols()), all.GetNextCursor())
		}
		var paged []*pb.HouseProtocol
		cursor, pages := "", 0
		for {
			page, err := caller.Do[pb.ListHouseProtocolsResponse](t.Context(), as, "AdviceService/ListHouseProtocols",
				&pb.ListHouseProtocolsRequest{Page: &pb.Page{Size: 5, Cursor: cursor}})
			if err != nil {
				t.Fatal(err)
			}
			paged, pages = append(paged, page.GetProtocols()...), pages+1
			if cursor = page.GetNextCursor(); cursor == "" || pages > 10 {
				break
			}
		}
		if pages != 8 || !proto.Equal(&pb.ListHouseProtocolsResponse{Protocols: paged}, all) {
			t.Errorf("over %s: %d pages with %d protocols", way, pages, len(paged))
		}
		_, err = caller.Do[pb.ListHouseProtocolsResponse](t.Context(), as, "AdviceService/ListHouseProtocols", &pb.ListHouseProtocolsRequest{Page: &pb.Page{Cursor: "x"}})
		if p, ok := caller.AsProblem(err); !ok || p.Code != "INVALID_ARGUMENT" {
			t.Errorf("an unknown cursor over %s: %v", way, err)
		}
		for _, shipped := range all.GetProtocols() {
			req := adviceExample(t)
			req.Protocol, req.Zone, req.Trials, req.Sex = shipped.GetProtocol(), shipped.GetProtocol().GetZones()[0], nil, max(shipped.GetProtocol().GetAppliesToSex(), pb.Sex_SEX_FEMALE)
			// The kit is one of pounds: it makes a load of kilograms to within 3 lb.
			req.LoadTolerance = &pb.Mass{Value: "3", Unit: pb.Unit_UNIT_LB}
			got, err := caller.Do[pb.AdviseResponse](t.Context(), as, "AdviceService/Advise", req)
			if err != nil || got.GetAction() != pb.AdviceAction_ADVICE_ACTION_START || got.GetRecipe() == nil || !proto.Equal(got.GetLoad(), shipped.GetProtocol().GetStartLoad()) {
				t.Errorf("%s: %v, %v", shipped.GetProtocol().GetName(), got, err)
			}
		}
	}
}

// TestAdviceIsNotLogged: the log names the method and nothing of the person.
func TestAdviceIsNotLogged(t *testing.T) {
	var log bytes.Buffer
	service := serve(t, &log)
	req := adviceExample(t, `"K7"`, `"MARKER1"`, `"K7"`, `"MARKER1"`, `"K7"`, `"MARKER1"`)
	if _, err := caller.Do[pb.AdviseResponse](t.Context(), service.As("evaluator", caller.GRPC), "AdviceService/Advise", req); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(log.String(), "Advise") || strings.Contains(log.String(), "MARKER1") {
		t.Errorf("log %s", log.String())
	}
}
