package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// GetScoreHistory returns every change of a session and its findings and results, oldest first, each with its proof against the log as it
// stands, and the disclosures of its results.
func (c *Casework) GetScoreHistory(ctx context.Context, p authn.Principal, sessionID string) ([]ScoreChange, error) {
	clinic, err := clinicOf(p)
	if err != nil {
		return nil, err
	}
	payers, err := c.payerNames(ctx, clinic, sessionID)
	if err != nil {
		return nil, fmt.Errorf("history of score: %w", err)
	}
	var out []ScoreChange
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		h := historian{c: c, tx: tx, clinic: clinic, session: sessionID, names: names{tx: tx}, payers: payers}
		if out, err = h.changes(ctx); err != nil {
			return shown{}, err
		}
		subjects, err := aboutSession(ctx, tx, sessionID)
		return shown{what: "history of the score", subjects: subjects}, err
	})
	if err != nil {
		return nil, fmt.Errorf("history of score: %w", err)
	}
	return out, nil
}

// payerNames are the names of the payers to whom results of the session were disclosed. They are the network's records and are read before.
func (c *Casework) payerNames(ctx context.Context, clinic, sessionID string) (map[string]string, error) {
	var ids []string
	err := c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
		rows, err := tx.EntriesOfSession(ctx, sessionID)
		ids = nil
		for _, row := range rows {
			if id := subjectOf(row.Subjects, record.KindPayer); id != "" {
				ids = append(ids, id)
			}
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	found := make(map[string]string)
	for _, id := range ids {
		if _, known := found[id]; known {
			continue
		}
		payer, err := c.payer(ctx, id)
		switch {
		case fault.Is(err, fault.NotFound):
			found[id] = "payer " + id
		case err != nil:
			return nil, err
		default:
			found[id] = payer.Name
		}
	}
	return found, nil
}

// historian writes the history of one session.
type historian struct {
	c       *Casework
	tx      *store.Tx
	clinic  string
	session string
	names   names
	payers  map[string]string
	results map[string]bool
	unit    mass.Unit
	// before is the revision last seen.
	before revision
}

// revision is a session with its finding, whole and as canonical JSON.
type revision struct {
	number              int
	session             record.Session
	finding             record.Finding
	sessionBody, scored []byte
}

// begin reads the entries of the session, oldest first, and what their lines need to be told.
func (h *historian) begin(ctx context.Context) ([]store.EntryRow, error) {
	rows, err := h.tx.EntriesOfSession(ctx, h.session)
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, fault.New(fault.NotFound, "NOT_FOUND", "there is no such session")
	}
	clinic, err := clinicRecord(ctx, h.tx, h.clinic)
	if err != nil {
		return nil, err
	}
	if h.unit = clinic.DisplayUnit; h.unit == "" {
		h.unit = DisplayUnit
	}
	results, err := h.tx.ResultsOfSession(ctx, h.session)
	if err != nil {
		return nil, err
	}
	h.results = make(map[string]bool, len(results))
	for _, r := range results {
		h.results[r.ID] = true
	}
	return rows, nil
}

func (h *historian) changes(ctx context.Context) ([]ScoreChange, error) {
	rows, err := h.begin(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]ScoreChange, 0, len(rows))
	for _, row := range rows {
		change, err := h.change(ctx, row)
		if err != nil {
			return nil, err
		}
		out = append(out, change)
	}
	return out, nil
}

func (h *historian) change(ctx context.Context, row store.EntryRow) (ScoreChange, error) {
	view, err := h.names.view(ctx, row)
	if err != nil {
		return ScoreChange{}, err
	}
	proof, err := h.c.log.Prove(ctx, h.tx, h.clinic, row.Number, 0)
	if err != nil {
		return ScoreChange{}, err
	}
	out := ScoreChange{
		Entry: view, Proof: proofOf(proof),
		SessionRevision: writtenRevision(view.Entry, record.KindSession, h.session),
	}
	if view.ErasedBy > 0 {
		out.Line = h.erasedLine(view)
		return out, nil
	}
	was := h.before
	if out.SessionRevision > 0 {
		if h.before, err = h.load(ctx, out.SessionRevision); err != nil {
			return ScoreChange{}, err
		}
		if was.number > 0 {
			if out.Measured, err = measuredDifferences(was, h.before); err != nil {
				return ScoreChange{}, err
			}
			if out.Computed, err = computedDifferences(was.scored, h.before.scored); err != nil {
				return ScoreChange{}, err
			}
		}
	}
	for _, w := range view.Entry.Records {
		if w.Kind == record.KindResult {
			out.ResultID = w.ID
		}
	}
	out.Line = h.line(out, was)
	return out, nil
}

// load reads a revision of the session with its finding.
func (h *historian) load(ctx context.Context, number int) (revision, error) {
	s, err := sessionAt(ctx, h.tx, h.session, number)
	if err != nil {
		return revision{}, err
	}
	row, err := h.tx.At(ctx, record.KindFinding, h.session, number)
	if err != nil {
		return revision{}, err
	}
	r := revision{number: number, session: s.Value, scored: row.Body}
	if r.finding, err = read[record.Finding](record.KindFinding, row.Body); err != nil {
		return revision{}, err
	}
	if by := s.Value.Screening.OverrideBy; by != "" {
		// The line that tells of it shows the name.
		if _, err := h.names.of(ctx, record.Actor{MemberID: by}); err != nil {
			return revision{}, err
		}
	}
	r.sessionBody, err = record.CanonicalSession(s.Value)
	return r, err
}
