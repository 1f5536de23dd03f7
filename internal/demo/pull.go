package demo

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/bundle"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/seal"
)

// feedPage is how many items the payer asks for at once.
const feedPage = 10

// pull saves the key set first, pulls the feed by pages, and verifies every result with nothing but the keys.
func (s *story) pull(ctx context.Context) error {
	if err := s.saveKeys(ctx); err != nil {
		return err
	}
	items, pages, err := s.feed(ctx)
	if err != nil {
		return err
	}
	s.p.say("%s pulls %d results in %d pages over %s. Each is verified without the service: the signature, the place in the clinic's audit log, and a new run of the "+
		"engine on the enclosed trials, which must give the same finding. Where the client's release does not cover the raw trials, the payer has their digest instead, "+
		"and verifies without a new run.", s.day.Payer.Name, len(items), pages, s.payer.Way())
	s.p.blank()
	var rows [][]string
	for i, item := range items {
		row, err := s.verifyItem(item)
		if err != nil {
			return err
		}
		rows = append(rows, row)
		s.p.progress("verified", i+1, len(items))
	}
	s.p.table([]string{"#", "claim", "client", "signed by", "decision", "checks held"}, "r", rows)
	if err := s.allReleased(items); err != nil {
		return err
	}
	if err := s.notReleased(ctx); err != nil {
		return err
	}
	return s.alteredByte(items[0])
}

func (s *story) saveKeys(ctx context.Context) error {
	got, err := caller.Do[ponderalv1.GetKeysResponse](ctx, s.service.As("", caller.REST), "KeyService/GetKeys", &ponderalv1.GetKeysRequest{})
	if err != nil {
		return err
	}
	if s.ring, err = seal.ParseJWKS([]byte(got.GetJwks())); err != nil {
		return fmt.Errorf("read the key set: %w", err)
	}
	path, err := s.save("keys.json", []byte(got.GetJwks()))
	if err != nil {
		return err
	}
	s.p.say("The payer keeps the published key set, %d keys: %s", len(s.ring.Keys()), path)
	return nil
}

// save writes a file of the payer's.
func (s *story) save(name string, body []byte) (string, error) {
	path := filepath.Join(s.o.SaveDir, name)
	if err := os.WriteFile(path, body, 0o644); err != nil {
		return "", fmt.Errorf("keep %s: %w", name, err)
	}
	s.saved[name] = path
	return path, nil
}

// feed pulls all that is released now.
func (s *story) feed(ctx context.Context) (items []*ponderalv1.FeedItem, pages int, err error) {
	cursor := ""
	for {
		got, err := caller.Do[ponderalv1.ListFeedResponse](ctx, s.payer, "FeedService/ListFeed", &ponderalv1.ListFeedRequest{Page: &ponderalv1.Page{Size: feedPage, Cursor: cursor}})
		if err != nil {
			return nil, 0, err
		}
		items, pages = append(items, got.GetItems()...), pages+1
		if !got.GetMore() {
			break
		}
		if got.GetNextCursor() == cursor {
			return nil, 0, errors.New("the feed says that there is more, but its cursor stands still")
		}
		cursor = got.GetNextCursor()
	}
	for i, item := range items {
		if item.GetNumber() != uint64(i+1) {
			return nil, 0, fmt.Errorf("item %d of the feed has number %d: there is a gap", i+1, item.GetNumber())
		}
	}
	return items, pages, nil
}

// verifyItem verifies one result offline and keeps it as a file.
func (s *story) verifyItem(item *ponderalv1.FeedItem) ([]string, error) {
	doc, err := protojson.Marshal(item.GetResult().GetBundle())
	if err != nil {
		return nil, err
	}
	report, err := s.verify(doc)
	if err != nil {
		return nil, fmt.Errorf("result %s: %w", item.GetResult().GetId(), err)
	}
	if bare := s.withoutTrials(item.GetResult().GetId()); report.Rerun == bare {
		return nil, fmt.Errorf("result %s: the engine was run again: %v, and the release is without raw trials: %v", item.GetResult().GetId(), report.Rerun, bare)
	}
	if report.Document.ID != item.GetResult().GetId() {
		return nil, fmt.Errorf("item %d names the result %s and holds %s", item.GetNumber(), item.GetResult().GetId(), report.Document.ID)
	}
	if _, err := s.save(fmt.Sprintf("result-%02d.json", item.GetNumber()), doc); err != nil {
		return nil, err
	}
	d := report.Document
	return []string{fmt.Sprint(item.GetNumber()), d.Referral.ClaimNumber, d.Client.GivenName + " " + d.Client.FamilyName, d.Signature.Name,
		decisionWord(item.GetResult().GetDecision()), stepsWord(report)}, nil
}

func decisionWord(o ponderalv1.JobOutcome) string {
	if o == ponderalv1.JobOutcome_JOB_OUTCOME_UNSPECIFIED {
		return "no target job"
	}
	return outcomeWord(o)
}

func (s *story) verify(doc []byte) (bundle.Report, error) {
	b, err := bundle.Decode(doc)
	if err != nil {
		return bundle.Report{}, err
	}
	return bundle.Verify(s.ring, b, s.o.LogName)
}

// withoutTrials reports whether the release of a result is without raw trials.
func (s *story) withoutTrials(result string) (bare bool) {
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			if r := d.results[v.Session.Id]; r != nil && r.Id == result {
				return v.Release != nil && !v.Release.WithRawTrials
			}
		}
	}
	return false
}

// stepsWord says how many of the report's steps held, and how many rest on raw trials that were not released.
func stepsWord(r bundle.Report) string {
	states := make(map[bundle.State]int)
	for _, step := range r.Steps {
		states[step.State]++
	}
	if n := states[bundle.StepWithheld]; n > 0 {
		return fmt.Sprintf("%d, %d withheld", states[bundle.StepOK], n)
	}
	return fmt.Sprintf("%d of %d", states[bundle.StepOK], len(r.Steps))
}

// allReleased wants exactly the signed results that a client authorized.
func (s *story) allReleased(items []*ponderalv1.FeedItem) error {
	pulled := map[string]bool{}
	for _, item := range items {
		pulled[item.GetResult().GetId()] = true
	}
	want := 0
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			r := d.results[v.Session.Id]
			if r == nil || v.Release == nil {
				continue
			}
			want++
			if !pulled[r.GetId()] {
				return fmt.Errorf("result %s is released but not in the feed", r.GetId())
			}
		}
	}
	if want != len(items) {
		return fmt.Errorf("the feed holds %d results, want the %d released", len(items), want)
	}
	return nil
}

// notReleased shows that the payer cannot read a result without the client's authorization.
func (s *story) notReleased(ctx context.Context) error {
	for _, d := range s.clinics {
		for _, v := range d.Visits {
			r := d.results[v.Session.Id]
			if r == nil || v.Release != nil {
				continue
			}
			err := s.payer.Call(ctx, "ResultService/GetResult", &ponderalv1.GetResultRequest{Id: r.GetId()}, &ponderalv1.GetResultResponse{})
			problem, ok := caller.AsProblem(err)
			if !ok || problem.Code != "NOT_FOUND" && problem.Code != "PERMISSION_DENIED" {
				return fmt.Errorf("the payer asks for a result that was not released: got %v, want a refusal", err)
			}
			s.p.blank()
			s.p.say("%s has authorized no release: the signed result is not in the feed, and asking for it gives %s.", fullName(v.Client), problem.Code)
		}
	}
	return nil
}

// alteredByte shows that a result with one altered character fails, and where.
func (s *story) alteredByte(item *ponderalv1.FeedItem) error {
	doc, err := protojson.Marshal(item.GetResult().GetBundle())
	if err != nil {
		return err
	}
	text := string(doc)
	at := strings.Index(text, item.GetResult().GetBundle().GetJws()) + len(item.GetResult().GetBundle().GetJws())/2
	altered := text[:at] + "A" + text[at+1:]
	if text[at] == 'A' {
		altered = text[:at] + "B" + text[at+1:]
	}
	report, err := s.verify([]byte(altered))
	if err == nil || report.OK {
		return errors.New("a result with one altered character still verifies")
	}
	for _, step := range report.Steps {
		if step.State == bundle.StepFailed {
			s.p.say("One character of result 1 altered: the check %q fails (%s), and nothing that it says is believed.", step.Name, step.Why)
			return nil
		}
	}
	s.p.say("One character of result 1 altered: %v.", err)
	return nil
}
