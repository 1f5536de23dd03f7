package casework

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// PartCorrection replaces one recorded part of a session other than a trial; exactly one of the parts is set. Expected is the session's revision
// that the reviewer looked at.
type PartCorrection struct {
	SessionID string
	Expected  int
	Reason    string

	Screening *record.Screening
	// Body without any measure takes the measures out.
	Body           *record.BodyMeasures
	SeriesEnd      *SeriesEnd
	HandSeries     *record.HandSeries
	PositionSeries *record.PositionSeries
}

// SeriesEnd is what the evaluator recorded as the end of a series.
type SeriesEnd struct {
	Series int
	Stop   record.Stop
	Note   string
}

// The parts of a session that are corrected as a whole, by the names that requests, entries and results have for them.
const (
	partScreening      = "screening"
	partBody           = "body"
	partSeriesEnd      = "series_end"
	partHandSeries     = "hand_series"
	partPositionSeries = "position_series"
)

// part is the part that a correction replaces: its name, the number of its series (0 where it is of none), and how it is put into a session,
// which says where it stands then.
type part struct {
	name   string
	series int
	put    func(*record.Session) (at []spot, wrong []fault.Violation)
}

// spot is a path of a session with that of the request which brought what stands there.
type spot struct{ session, request string }

// CorrectSession stores a session with one corrected part and the new finding. What was recorded stays as the earlier revision. The same
// correction again, while it is the newest, is answered with what stands.
func (c *Casework) CorrectSession(ctx context.Context, p authn.Principal, in PartCorrection) (Corrected, error) {
	if err := need(p, record.RoleReviewer); err != nil {
		return Corrected{}, err
	}
	clinic, err := ownClinic(p, "")
	if err != nil {
		return Corrected{}, err
	}
	if strings.TrimSpace(in.Reason) == "" {
		return Corrected{}, invalid("reason", "correction.reason", "a correction says why")
	}
	parts := in.parts()
	if len(parts) != 1 {
		return Corrected{}, invalid("part", "correction.part", "a correction replaces one part")
	}
	var done Corrected
	err = c.store.InClinic(ctx, clinic, func(tx *store.Tx) error {
		done, err = c.correctPartUnder(ctx, tx, p, in, parts[0])
		return err
	})
	if err != nil {
		return Corrected{}, fmt.Errorf("correct session: %w", err)
	}
	return done, nil
}

func (c *Casework) correctPartUnder(ctx context.Context, tx *store.Tx, p authn.Principal, in PartCorrection, x part) (Corrected, error) {
	s, err := standingOf(ctx, tx, in.SessionID, in.overrideBy())
	if err != nil {
		return Corrected{}, err
	}
	changed, body, wrong, err := s.withPart(x)
	if err != nil {
		return Corrected{}, err
	}
	same := body != nil && bytes.Equal(body, s.row.Body)
	if same && s.row.Revision == in.Expected+1 {
		done, err := s.stands(ctx, tx, p, record.ActionSessionCorrect, in.Reason, partSubject(in.SessionID, x))
		if err != nil {
			return Corrected{}, err
		}
		if done != nil {
			return *done, nil
		}
	}
	if s.row.Revision != in.Expected {
		return Corrected{}, notCurrent(s.row.Revision)
	}
	if same {
		return Corrected{}, invalid(x.name, "correction.differs", "the corrected part differs from the stored one")
	}
	if in.Screening != nil {
		who, err := overriderFit(*in.Screening, s.override, partScreening)
		if err != nil {
			return Corrected{}, err
		}
		wrong = append(wrong, who...)
	}
	if err := fault.InvalidFields(wrong); err != nil {
		return Corrected{}, err
	}
	s.session, s.row.Body = changed, body
	return c.scoreAgain(ctx, tx, &s, auditlog.Draft{
		ClinicID: s.session.ClinicID, Action: record.ActionSessionCorrect, Actor: p.Actor(), Reason: in.Reason,
		Subjects: []string{subject(record.KindSession, in.SessionID), partSubject(in.SessionID, x),
			subject(record.KindReferral, s.ground.referral.ID), subject(record.KindClient, s.ground.client.ID)},
	}, false)
}

// overrideBy is the member whom a corrected screening names; empty when none.
func (in PartCorrection) overrideBy() string {
	if in.Screening == nil {
		return ""
	}
	return in.Screening.OverrideBy
}

// parts are the parts that are set.
func (in PartCorrection) parts() []part {
	var out []part
	if v := in.Screening; v != nil {
		out = append(out, part{name: partScreening, put: func(s *record.Session) ([]spot, []fault.Violation) {
			s.Screening = *v
			return []spot{{"session.screening", partScreening}}, nil
		}})
	}
	if v := in.Body; v != nil {
		out = append(out, part{name: partBody, put: func(s *record.Session) ([]spot, []fault.Violation) {
			s.Body = v
			return []spot{{"session.body", partBody}}, nil
		}})
	}
	if v := in.SeriesEnd; v != nil {
		out = append(out, part{name: partSeriesEnd, series: v.Series, put: v.put})
	}
	if v := in.HandSeries; v != nil {
		out = append(out, part{name: partHandSeries, series: v.Number, put: func(s *record.Session) ([]spot, []fault.Violation) {
			s.HandSeries = slices.Clone(s.HandSeries)
			return putSeries(s.HandSeries, *v, func(x *record.HandSeries) int { return x.Number }, partHandSeries)
		}})
	}
	if v := in.PositionSeries; v != nil {
		out = append(out, part{name: partPositionSeries, series: v.Number, put: func(s *record.Session) ([]spot, []fault.Violation) {
			s.PositionSeries = slices.Clone(s.PositionSeries)
			return putSeries(s.PositionSeries, *v, func(x *record.PositionSeries) int { return x.Number }, partPositionSeries)
		}})
	}
	return out
}

// put replaces the recorded end of a series.
func (e *SeriesEnd) put(s *record.Session) ([]spot, []fault.Violation) {
	i := slices.IndexFunc(s.Series, func(x record.Series) bool { return x.Number == e.Series })
	if i < 0 {
		return nil, noSeries("series_end.series_number")
	}
	s.Series = slices.Clone(s.Series)
	s.Series[i].Stop, s.Series[i].StopNote = e.Stop, e.Note
	at := fmt.Sprintf("session.series[%d]", i)
	return []spot{{at + ".stop", "series_end.stop"}, {at + ".stop_note", "series_end.stop_note"}}, nil
}

// putSeries replaces the series that has the same number.
func putSeries[T any](list []T, v T, number func(*T) int, name string) ([]spot, []fault.Violation) {
	i := slices.IndexFunc(list, func(x T) bool { return number(&x) == number(&v) })
	if i < 0 {
		return nil, noSeries(name + ".number")
	}
	list[i] = v
	return []spot{{fmt.Sprintf("session.%s[%d]", name, i), name}}, nil
}

func noSeries(field string) []fault.Violation {
	return []fault.Violation{{Field: field, Rule: "series.exists", Text: "the series is one of the session's"}}
}

// withPart is the session with the part in its place, its header as it would be stored, and what is wrong with it; the header is nil where the
// part has no place. A text that has no canonical form is an error.
func (s *standing) withPart(x part) (record.Session, []byte, []fault.Violation, error) {
	changed := s.session
	at, wrong := x.put(&changed)
	if len(wrong) > 0 {
		return changed, nil, wrong, nil
	}
	changed = plainSession(changed)
	body, err := record.CanonicalSession(headerOf(changed))
	if err != nil {
		return changed, nil, nil, textFault(err)
	}
	return changed, body, newlyWrong(record.CheckSession(s.session, record.KindSession), changed, x.name, at...), nil
}

// newlyWrong is what is wrong with a session after a change, on the request's paths of what was changed: all of what is wrong there, and beside it,
// such as the order with the next series, what was not wrong before, laid on the part as a whole. So a session that was stored under the rules of
// its day can be corrected.
func newlyWrong(before []fault.Violation, now record.Session, name string, at ...spot) []fault.Violation {
	var found []fault.Violation
	for _, v := range record.CheckSession(now, record.KindSession) {
		path, inside := requestPath(v.Field, at...)
		if !inside && slices.Contains(before, v) {
			continue
		}
		if v.Field = name; inside {
			v.Field = path
		}
		found = append(found, v)
	}
	return found
}

// requestPath is the request's path of a violation found at or under one of the spots; not ok where it is beside them.
func requestPath(field string, at ...spot) (path string, ok bool) {
	for _, x := range at {
		if rest, under := strings.CutPrefix(field, x.session); under && (rest == "" || rest[0] == '.' || rest[0] == '[') {
			return x.request + rest, true
		}
	}
	return "", false
}

// partWord begins the subject that names a corrected part: `part:SESSION/NAME`, with `/NUMBER` where it is of a series.
const partWord = "part"

func partSubject(sessionID string, x part) string {
	id := sessionID + "/" + x.name
	if x.series > 0 {
		id += fmt.Sprintf("/%d", x.series)
	}
	return subject(partWord, id)
}
