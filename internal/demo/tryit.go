package demo

import "sort"

// tryIt ends the story with what can be tried, ready to paste. Lines with addresses and tokens may be wide.
func (s *story) tryIt() {
	p, o, c := s.p, s.o, s.fixed
	p.heading("Try it")
	p.fact("REST", "%s", o.RESTBase)
	p.fact("API description", "%s/openapi.json", o.RESTBase)
	p.fact("gRPC", "%s (plaintext on this machine only; reflection is on)", o.GRPCAddress)
	p.fact("kept by the payer", "%s (%d files)", o.SaveDir, len(s.saved))
	p.blank()
	p.line("Tokens (they work for %d days, those of reviewers for 12 hours; as shell variables):", tokenDays)
	p.blank()
	for _, t := range s.tokens {
		p.line("  # %s", t.holder)
		p.line("  %s=%s", t.variable, t.secret)
	}
	p.blank()
	p.line("  curl -s -H \"Authorization: Bearer $PAYER\" '%s/v1/feed?page.size=2'", o.RESTBase)
	p.line("  curl -s -H \"Authorization: Bearer $REVIEWER1\" \\")
	p.line("    %s/v1/sessions/%s/finding", o.RESTBase, c.visit.Session.Id)
	p.line("  curl -s -H \"Authorization: Bearer $REVIEWER1\" \\")
	p.line("    %s/v1/sessions/%s/history", o.RESTBase, c.visit.Session.Id)
	p.line("  curl -s -H \"Authorization: Bearer $ADMIN2\" '%s/v1/audit/entries?page.size=3'", o.RESTBase)
	p.line("  curl -s %s/.well-known/jwks.json", o.RESTBase)
	p.line("  grpcurl -plaintext %s list", o.GRPCAddress)
	p.line("  grpcurl -plaintext -H \"authorization: Bearer $PAYER\" -d '{\"page\":{\"size\":2}}' \\")
	p.line("    %s ponderal.v1.FeedService/ListFeed", o.GRPCAddress)
	if names := s.savedResults(); len(names) > 0 {
		p.line("  %s verify -keys %s \\\n    %s", o.Command, s.saved["keys.json"], s.saved[names[len(names)-1]])
	}
	p.blank()
	p.say("Invented data. Not medical advice: protocols and limits are the responsible clinician's; local codes and licensed practice come first.")
}

func (s *story) savedResults() []string {
	var names []string
	for name := range s.saved {
		if name != "keys.json" {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	return names
}
