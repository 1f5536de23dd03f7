package casework

import (
	"errors"
	"fmt"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// erasedEntry is what is left of an entry that was erased. It says so where an entry says why.
func erasedEntry(row store.EntryRow) record.Entry {
	return record.Entry{Number: row.Number, At: record.TimeOf(row.At), Action: row.Action, Subjects: row.Subjects, Reason: erasedText(row.ErasedBy)}
}

// erasedText stands in the place of what was erased.
func erasedText(by int64) string {
	return fmt.Sprintf("content erased on demand, see entry %d", by)
}

// isErased reports whether a read failed because the record was erased.
func isErased(err error) bool {
	var f *fault.Error
	return errors.As(err, &f) && f.Reason == store.ReasonErased
}

// erasedForGood answers a write that would bring an erased record back, or build on one.
func erasedForGood(kind string) error {
	return fault.Newf(fault.Precondition, store.ReasonErased, "the %s was erased on lawful demand and does not come back; nothing was stored", kind)
}

// erasedGround answers a push whose session, referral or client was erased; nil when none was.
func erasedGround(known store.PushContext) error {
	for _, r := range []struct {
		kind string
		row  *store.Row
	}{{record.KindSession, known.Session}, {record.KindReferral, known.Referral}, {record.KindClient, known.Client}} {
		if r.row != nil && string(r.row.Body) == record.Erased {
			return erasedForGood(r.kind)
		}
	}
	return nil
}

// erasedLine says a step of which the content was erased.
func (h *historian) erasedLine(v EntryView) string {
	e := v.Entry
	return fmt.Sprintf("%s  %s: %s.  [entry %d of log %s]", bundle.Moment(e.At), e.Action, e.Reason, e.Number, h.c.log.Origin(h.clinic))
}
