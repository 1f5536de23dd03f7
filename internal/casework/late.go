package casework

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// LateCorrection is a correction made after a result of the session was signed. The evaluator is the session's; who corrected is the entry's actor.
type LateCorrection struct {
	ClinicID  string
	SessionID string
	// ResultID is the result that stood when the correction was made, SupersededBy the one that replaced it.
	ResultID     string
	SignedAt     record.Time
	SupersededBy string
	// EvaluatorID is empty, and nothing measured is told, where the session was erased.
	EvaluatorID string
	Entry       EntryView
	Measured    []record.Difference
}

// LateList is a page of late corrections in the order of time. Rates are those of the whole period, on the first page only.
type LateList struct {
	Items []LateCorrection
	Rates []CorrectionRate
	Next  string
}

// lateSearch is one page of a search, in progress.
type lateSearch struct {
	c       *Casework
	p       authn.Principal
	at      latePlace
	first   bool
	size    int
	clinics []string
}

// lateYear is how far back a search goes that says nothing.
const lateYear = 1

// ListLateCorrections returns the corrections of results that were signed in the period (a year back where since is not given), of the principal's clinic or,
// for the network without a clinic, of all clinics. It tells of corrections up to its first page. In the log of each clinic of which it shows something to
// the network stands an entry; should a page of several clinics fail halfway, a log may hold an entry for what did not arrive, never the reverse.
func (c *Casework) ListLateCorrections(ctx context.Context, p authn.Principal, since, until record.Time, page record.Page) (LateList, error) {
	s := lateSearch{c: c, p: p}
	var err error
	if s.size, err = sizeOf(page); err != nil {
		return LateList{}, err
	}
	if err := checkPeriod(since, until, ""); err != nil {
		return LateList{}, err
	}
	if err := s.scope(ctx); err != nil {
		return LateList{}, fmt.Errorf("list late corrections: %w", err)
	}
	tie, err := bound("late corrections", p.ClinicID, struct{ Since, Until record.Time }{since, until})
	if err != nil {
		return LateList{}, err
	}
	if s.first = page.Cursor == ""; s.first {
		now := record.TimeOf(c.now())
		if since.IsZero() {
			since = record.TimeOf(now.Std().AddDate(-lateYear, 0, 0))
		}
		s.at = latePlace{clinic: record.NetworkClinic, key: store.LateKey{At: time.UnixMicro(0).UTC(), Number: -1}, asOf: now.Std(), since: moment(since), until: moment(until)}
	} else if s.at, err = parseLatePlace(page.Cursor, tie); err != nil {
		return LateList{}, err
	}
	out, err := s.page(ctx, tie)
	if err != nil {
		return LateList{}, fmt.Errorf("list late corrections: %w", err)
	}
	return out, nil
}

// scope settles which clinics are asked.
func (s *lateSearch) scope(ctx context.Context) error {
	if s.p.ClinicID != "" || !s.p.Network {
		clinic, err := clinicOf(s.p)
		s.clinics = []string{clinic}
		return err
	}
	all, err := s.c.store.ListClinicIDs(ctx)
	s.clinics = slices.DeleteFunc(all, func(id string) bool { return id == record.NetworkClinic })
	return err
}

// lateFound is a late correction with its clinic.
type lateFound struct {
	store.LateRow
	clinic string
}

func (f lateFound) compare(g lateFound) int {
	return cmp.Or(f.At.Compare(g.At), cmp.Compare(f.clinic, g.clinic), cmp.Compare(f.Number, g.Number))
}

func (s *lateSearch) page(ctx context.Context, tie string) (LateList, error) {
	var out LateList
	found, err := s.find(ctx)
	if err != nil {
		return out, err
	}
	if len(found) > s.size {
		found = found[:s.size]
		last := found[s.size-1]
		next := s.at
		next.clinic, next.key = last.clinic, last.LateKey
		out.Next = next.cursor(tie)
	}
	items := make(map[lateFoundKey]LateCorrection, len(found))
	for _, clinic := range s.clinics {
		var own []store.LateRow
		for _, f := range found {
			if f.clinic == clinic {
				own = append(own, f.LateRow)
			}
		}
		if len(s.clinics) > 1 && len(own) == 0 && !s.first {
			continue
		}
		got, rates, err := s.show(ctx, clinic, own)
		if err != nil {
			return LateList{}, err
		}
		for _, item := range got {
			items[lateFoundKey{clinic, item.Entry.Entry.Number}] = item
		}
		out.Rates = append(out.Rates, rates...)
	}
	for _, f := range found {
		out.Items = append(out.Items, items[lateFoundKey{f.clinic, f.Number}])
	}
	return out, nil
}

type lateFoundKey struct {
	clinic string
	number int64
}

// find looks for the next corrections of all clinics that are asked, in order of time: one more than the page has where there are more.
func (s *lateSearch) find(ctx context.Context) ([]lateFound, error) {
	var found []lateFound
	for _, clinic := range s.clinics {
		err := s.c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			rows, err := tx.LateCorrections(ctx, s.at.since, s.at.until, s.at.keyFor(clinic), s.at.asOf, s.size+1)
			found = slices.DeleteFunc(found, func(f lateFound) bool { return f.clinic == clinic })
			for _, row := range rows {
				found = append(found, lateFound{LateRow: row, clinic: clinic})
			}
			return err
		})
		if err != nil {
			return nil, err
		}
		slices.SortFunc(found, lateFound.compare)
		found = found[:min(len(found), s.size+1)]
	}
	return found, nil
}

// show reads what a clinic contributes to the page, and records the read.
func (s *lateSearch) show(ctx context.Context, clinic string, rows []store.LateRow) ([]LateCorrection, []CorrectionRate, error) {
	var items []LateCorrection
	var rates []CorrectionRate
	err := s.c.reading(ctx, s.p, clinic, func(tx *store.Tx) (shown, error) {
		items, rates = nil, nil
		said := shown{what: fmt.Sprintf("late corrections: since %s, %d shown", s.at.since.Format(time.RFC3339), len(rows))}
		for _, row := range rows {
			item, err := s.item(ctx, tx, clinic, row)
			if err != nil {
				return shown{}, err
			}
			items = append(items, item)
			if about := subject(record.KindSession, row.SessionID); !slices.Contains(said.subjects, about) {
				said.subjects = append(said.subjects, about)
			}
		}
		var err error
		if s.first {
			said.what += ", with rates"
			rates, err = s.c.rates(ctx, tx, clinic, s.at.since, s.at.until)
		}
		return said, err
	})
	return items, rates, err
}

func (s *lateSearch) item(ctx context.Context, tx *store.Tx, clinic string, row store.LateRow) (LateCorrection, error) {
	out := LateCorrection{ClinicID: clinic, SessionID: row.SessionID, ResultID: row.ResultID, SignedAt: record.TimeOf(row.SignedAt), SupersededBy: row.SupersededBy}
	entry, err := tx.Entry(ctx, row.Number)
	if err != nil {
		return out, err
	}
	h := historian{c: s.c, tx: tx, clinic: clinic, session: row.SessionID, names: names{tx: tx}}
	if out.Entry, err = h.names.view(ctx, entry); err != nil {
		return out, err
	}
	was, err := h.load(ctx, row.Revision-1)
	if err == nil {
		var now revision
		if now, err = h.load(ctx, row.Revision); err == nil {
			out.EvaluatorID = now.session.EvaluatorID
			out.Measured, err = measuredDifferences(was, now)
		}
	}
	if isErased(err) {
		return out, nil
	}
	return out, err
}

// latePlace is a place in a search: after the correction of that key in that clinic, among corrections made at asOf at the latest, of results signed in the period.
type latePlace struct {
	clinic             string
	key                store.LateKey
	asOf, since, until time.Time
}

// keyFor is the place as one clinic has it: of corrections made at the same moment those of clinics before come first.
func (l latePlace) keyFor(clinic string) store.LateKey {
	switch {
	case clinic > l.clinic:
		return store.LateKey{At: l.key.At, Number: -1}
	case clinic < l.clinic:
		return store.LateKey{At: l.key.At, Number: 1<<63 - 1}
	}
	return l.key
}

// cursor writes a place: `l.AT.CLINIC.NUMBER.ASOF.SINCE.UNTIL.TIE`, times in microseconds.
func (l latePlace) cursor(tie string) string {
	until := int64(0)
	if !l.until.IsZero() {
		until = l.until.UnixMicro()
	}
	return fmt.Sprintf("l.%d.%s.%d.%d.%d.%d.%s", l.key.At.UnixMicro(), l.clinic, l.key.Number, l.asOf.UnixMicro(), l.since.UnixMicro(), until, tie)
}
