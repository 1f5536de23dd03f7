package casework

import (
	"context"
	"fmt"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// Comparison is what differs between two revisions of a session and their findings, field by field, and the steps between that caused it, in order.
type Comparison struct {
	Measured []record.Difference
	Computed []record.Difference
	Causes   []ScoreChange
}

// CompareFindings compares the revision from of a session with the later revision to. The same revision twice gives nothing; a revision that is not
// there, or was erased, is NotFound.
func (c *Casework) CompareFindings(ctx context.Context, p authn.Principal, sessionID string, from, to int) (Comparison, error) {
	if from > to {
		return Comparison{}, fault.InvalidFields([]fault.Violation{
			{Field: "to_revision", Rule: "compare.order", Text: "the later revision is not before the earlier one"}})
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return Comparison{}, err
	}
	var out Comparison
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		h := historian{c: c, tx: tx, clinic: clinic, session: sessionID, names: names{tx: tx}}
		if out, err = h.compare(ctx, from, to); err != nil {
			return shown{}, err
		}
		subjects, err := aboutSession(ctx, tx, sessionID)
		return shown{what: fmt.Sprintf("findings of revisions %d and %d", from, to), subjects: subjects}, err
	})
	if err != nil {
		return Comparison{}, fmt.Errorf("compare findings: %w", err)
	}
	return out, nil
}

func (h *historian) compare(ctx context.Context, from, to int) (Comparison, error) {
	var out Comparison
	earlier, err := h.load(ctx, from)
	if err != nil {
		return out, err
	}
	later, err := h.load(ctx, to)
	if fault.KindOf(err) == fault.NotFound {
		return out, fault.Newf(fault.NotFound, "NO_SUCH_REVISION", "the session has no revision %d", to)
	}
	if err != nil {
		return out, err
	}
	if out.Measured, err = measuredDifferences(earlier, later); err != nil {
		return out, err
	}
	if out.Computed, err = computedDifferences(earlier.scored, later.scored); err != nil {
		return out, err
	}
	rows, err := h.begin(ctx)
	if err != nil {
		return out, err
	}
	h.before = earlier
	for _, row := range rows {
		e, err := entryOf(row)
		if err != nil {
			return out, err
		}
		if written := writtenRevision(e, record.KindSession, h.session); written <= from || written > to {
			continue
		}
		change, err := h.change(ctx, row)
		if err != nil {
			return out, err
		}
		out.Causes = append(out.Causes, change)
	}
	return out, nil
}

// measuredDifferences are what changed in what was measured.
func measuredDifferences(was, now revision) ([]record.Difference, error) {
	return differences(was.sessionBody, now.sessionBody, func(string) bool { return true })
}
