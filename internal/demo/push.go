package demo

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
	"ponderal.example/internal/demo/scenario"
)

const pushMethod = "SessionService/PushSession"

// push sends every session from its clinic's station; each answer must say stored, with the findings that the scenario was made for.
func (s *story) push(ctx context.Context) error {
	total, trials := 0, 0
	for _, d := range s.clinics {
		total += len(d.Visits)
		for _, v := range d.Visits {
			for _, series := range v.Session.Series {
				trials += len(series.Trials)
			}
		}
	}
	began := s.o.Now()
	for i, d := range s.clinics {
		if i == 0 {
			if err := s.pushByOutbox(ctx, d); err != nil {
				return fmt.Errorf("push from the outbox of %s: %w", d.Clinic.Clinic.Name, err)
			}
			s.p.progress("sessions", s.pushed, total)
			continue
		}
		for _, v := range d.Visits {
			got, err := caller.Do[ponderalv1.PushSessionResponse](ctx, d.station, pushMethod, &ponderalv1.PushSessionRequest{Session: v.Session})
			if err != nil {
				return fmt.Errorf("push %s: %w", v.Session.Id, err)
			}
			if got.GetOutcome() != ponderalv1.PushSessionResponse_OUTCOME_STORED {
				return fmt.Errorf("push %s: got %v, want stored", v.Session.Id, got.GetOutcome())
			}
			if err := s.arrived(d, v, got.GetFinding()); err != nil {
				return err
			}
			s.p.progress("sessions", s.pushed, total)
		}
	}
	took := s.o.Now().Sub(began)
	for i, d := range s.clinics {
		from := "one by one"
		if i == 0 {
			from = "out of its app's outbox, compressed"
		}
		s.p.fact(string(d.way), "%d sessions from %s, %s", len(d.Visits), d.Clinic.Clinic.Name, from)
	}
	s.p.say("Stored %d sessions with %d series and %d trials in %s, each whole or not at all, each with its audit entry, each scored on arrival.",
		total, total*scenario.SeriesPerVisit, trials, seconds(took))
	return nil
}

// arrived keeps the finding of a session that is stored, once it is the one that the scenario was made for.
func (s *story) arrived(d *clinicDay, v *scenario.Visit, f *ponderalv1.Finding) error {
	if err := sameEnds(v, f); err != nil {
		return err
	}
	d.findings[v.Session.Id] = f
	s.pushed++
	return nil
}

// sameEnds checks that the engine found the end reason that each series was made to have.
func sameEnds(v *scenario.Visit, f *ponderalv1.Finding) error {
	if len(f.GetCapacities()) != len(v.Ends) {
		return fmt.Errorf("session %s: the finding has %d capacities, want %d", v.Session.Id, len(f.GetCapacities()), len(v.Ends))
	}
	for i, c := range f.GetCapacities() {
		if c.GetEndReason() != v.Ends[i] {
			return fmt.Errorf("session %s series %d: the engine says that it ended by %s; it was made to end by %s", v.Session.Id, i+1, endWord(c.GetEndReason()), endWord(v.Ends[i]))
		}
	}
	if f.GetComplete() != v.Complete() {
		return fmt.Errorf("session %s: complete is %v, want %v", v.Session.Id, f.GetComplete(), v.Complete())
	}
	return nil
}

// badPushes shows what becomes of a push that is repeated, in conflict, or wrong.
func (s *story) badPushes(ctx context.Context) error {
	d := s.clinics[0]
	v := d.Visits[0]
	before, err := s.countSessions(ctx, d)
	if err != nil {
		return err
	}
	if err := s.repeat(ctx, d, v); err != nil {
		return err
	}
	if err := s.conflict(ctx, d, v); err != nil {
		return err
	}
	if err := s.invalid(ctx, d, v); err != nil {
		return err
	}
	after, err := s.countSessions(ctx, d)
	if err != nil {
		return err
	}
	if before != after || after != len(d.Visits) {
		return fmt.Errorf("%s had %d sessions before and has %d now, want %d", d.Clinic.Clinic.Name, before, after, len(d.Visits))
	}
	s.p.blank()
	s.p.say("%s has %d sessions, as before: nothing was stored twice, changed or half stored.", d.Clinic.Clinic.Name, after)
	return nil
}

func (s *story) repeat(ctx context.Context, d *clinicDay, v *scenario.Visit) error {
	for _, way := range []caller.Way{caller.GRPC, caller.REST} {
		c := s.service.As(s.secret("STATION1"), way)
		got, err := caller.Do[ponderalv1.PushSessionResponse](ctx, c, pushMethod, &ponderalv1.PushSessionRequest{Session: v.Session})
		if err != nil {
			return fmt.Errorf("repeat push over %s: %w", way, err)
		}
		if got.GetOutcome() != ponderalv1.PushSessionResponse_OUTCOME_ALREADY_STORED {
			return fmt.Errorf("repeat push over %s: got %v, want already stored", way, got.GetOutcome())
		}
		s.p.item("The session of %s again, over %s: already stored at revision %d; nothing written.", fullName(v.Client), way, got.GetRevision().GetNumber())
	}
	return nil
}

func (s *story) conflict(ctx context.Context, d *clinicDay, v *scenario.Visit) error {
	other := proto.CloneOf(v.Session)
	heart := other.Series[1].Trials[2].GetHeartRateBpm() + 9
	other.Series[1].Trials[2].HeartRateBpm = &heart
	err := d.station.Call(ctx, pushMethod, &ponderalv1.PushSessionRequest{Session: other}, &ponderalv1.PushSessionResponse{})
	problem, err := expect(err, "ABORTED")
	if err != nil {
		return fmt.Errorf("push the same id with another heart rate: %w", err)
	}
	if len(problem.Fields) != 1 {
		return fmt.Errorf("push the same id with another heart rate: %d fields named, want the one that differs: %w", len(problem.Fields), problem)
	}
	s.p.blank()
	s.p.item("The same id with another heart rate: %s (%s). What was stored first stays. The field that differs:", problem.Code, problem.Reason)
	s.fields(problem)
	return nil
}

func (s *story) invalid(ctx context.Context, d *clinicDay, v *scenario.Visit) error {
	bad := proto.CloneOf(v.Session)
	// An id of its own: the last digit of another one's.
	bad.Id = flipLast(bad.Id)
	heart, rating := uint32(400), 7.3
	bad.Series[0].Trials[0].HeartRateBpm = &heart
	bad.Series[0].Trials[1].EffortRating = &rating
	bad.Series[1].Trials[0].Load.Value = "-20"
	bad.Series[2].Trials[0].Load.Unit = ponderalv1.Unit_UNIT_UNSPECIFIED
	bad.Series[3].Trials = nil
	err := d.station.Call(ctx, pushMethod, &ponderalv1.PushSessionRequest{Session: bad}, &ponderalv1.PushSessionResponse{})
	problem, err := expect(err, "INVALID_ARGUMENT")
	if err != nil {
		return fmt.Errorf("push a session that breaks rules: %w", err)
	}
	for _, field := range []string{"series[0].trials[0].heart_rate_bpm", "series[0].trials[1].effort_rating", "series[1].trials[0].load.value",
		"series[2].trials[0].load.unit", "series[3].trials"} {
		if !problem.Names(field) {
			return fmt.Errorf("push a session that breaks rules: %s is not named: %w", field, problem)
		}
	}
	err = d.station.Call(ctx, "SessionService/GetSession", &ponderalv1.GetSessionRequest{Id: bad.Id}, &ponderalv1.GetSessionResponse{})
	if _, err := expect(err, "NOT_FOUND"); err != nil {
		return fmt.Errorf("look for the refused session: %w", err)
	}
	s.p.blank()
	s.p.item("A session with five mistakes: %s (%s). Each field with its rule:", problem.Code, problem.Reason)
	s.fields(problem)
	return nil
}

// flipLast changes the last digit of an id.
func flipLast(id string) string {
	last := byte('0')
	if id[len(id)-1] == last {
		last = '1'
	}
	return id[:len(id)-1] + string(last)
}

func (s *story) fields(p *caller.Problem) {
	for _, f := range p.Fields {
		s.p.wrapped("      "+f.Path+": ", "        ", f.Says)
	}
}

// expect wants an error with that code.
func expect(err error, code string) (*caller.Problem, error) {
	if err == nil {
		return nil, fmt.Errorf("it was accepted, want %s", code)
	}
	problem, ok := caller.AsProblem(err)
	if !ok || problem.Code != code {
		return nil, fmt.Errorf("want %s: %w", code, err)
	}
	return problem, nil
}

// countSessions counts a clinic's sessions by pages.
func (s *story) countSessions(ctx context.Context, d *clinicDay) (int, error) {
	count, cursor := 0, ""
	for {
		got, err := caller.Do[ponderalv1.ListSessionsResponse](ctx, d.reviewer, "SessionService/ListSessions",
			&ponderalv1.ListSessionsRequest{Page: &ponderalv1.Page{Size: 5, Cursor: cursor}})
		if err != nil {
			return 0, err
		}
		count += len(got.GetSessions())
		if cursor = got.GetNextCursor(); cursor == "" || len(got.GetSessions()) == 0 {
			return count, nil
		}
	}
}

// secret finds a token by its variable.
func (s *story) secret(variable string) string {
	for _, t := range s.tokens {
		if t.variable == variable {
			return t.secret
		}
	}
	return ""
}
