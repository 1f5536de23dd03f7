package gateway

import "testing"

// TestQueryValues: a value that its field cannot hold is named by the parameter and the rule; one that just fits passes.
func TestQueryValues(t *testing.T) {
	rs, err := readRoutes(Services())
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ route, query, field, rule string }{
		{"GET /v1/audit/entries", "filter.since=2026-03-01T00:00:00Z&filter.until=2026-03-01T00:00:00.5%2B01:00", "", ""},
		{"GET /v1/audit/entries", "filter.since=2026-03-01", "filter.since", "query.moment"},
		{"GET /v1/audit/entries", "filter.since=2026-03-01T00:00:00+01:00", "filter.since", "query.moment"},
		{"GET /v1/audit/entries", "filter.since=", "filter.since", "query.moment"},
		{"GET /v1/audit/entries", "filter.since=2026-03-01T00:00:00Z&filter.since=2026-03-01T00:00:00Z", "filter.since", "query.once"},
		{"GET /v1/audit/entries", "filter.since.seconds=5", "filter.since.seconds", "query.unknown"},
		{"GET /v1/members", "page.size=4294967295", "", ""},
		{"GET /v1/members", "page.size=4294967296", "page.size", "query.number"},
		{"GET /v1/members", "page.size=-1", "page.size", "query.number"},
		{"GET /v1/audit/export", "format=EXPORT_FORMAT_CSV", "", ""},
		{"GET /v1/audit/export", "format=2", "", ""},
		{"GET /v1/audit/export", "format=csv", "format", "query.enum"},
		{"GET /v1/members", "page.size=ten&nothing=1", "nothing", "query.unknown"},
	} {
		refused := checkQuery(rs[tt.route], tt.query)
		switch {
		case tt.rule == "" && refused != nil:
			t.Errorf("%s?%s: %v", tt.route, tt.query, refused.fault)
		case tt.rule == "":
		case refused == nil || len(refused.fault.Violations) != 1 || refused.fault.Violations[0].Field != tt.field || refused.fault.Violations[0].Rule != tt.rule:
			t.Errorf("%s?%s: %+v, want %s by %s", tt.route, tt.query, refused, tt.field, tt.rule)
		}
	}
}
