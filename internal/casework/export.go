package casework

import (
	"bytes"
	"context"
	"fmt"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// ExportFormat is how an export is written.
type ExportFormat string

// The formats.
const (
	// ExportLines is one JSON object a line (jsonlines.org).
	ExportLines ExportFormat = "jsonl"
	// ExportCSV is RFC 4180.
	ExportCSV ExportFormat = "csv"
)

const (
	// exportBatch is how many entries are read at once: each in a short transaction of its own.
	exportBatch = 100
	// exportPiece is about how many bytes are handed on at once, below what any transport takes as one message.
	exportPiece = 64 << 10
)

// Export asks for the entries that pass a filter. After is the number of the last entry that the caller has; empty for none.
type Export struct {
	Filter EntryFilter
	Format ExportFormat
	After  string
}

// ExportEntries hands the entries of the clinic's log as it stands when it begins to send, piece by piece, in the order of their numbers, and at last how
// many there were, up to which number, with the signed head of that log. Whatever has no such end was cut off. What send gets is the callee's to keep. An error of send,
// and the end of ctx, end the export. For a reader whose reads are recorded the entry of the export is written before the first piece goes out.
func (c *Casework) ExportEntries(ctx context.Context, p authn.Principal, x Export, send func([]byte) error) error {
	if err := x.Filter.check(); err != nil {
		return err
	}
	after, err := numberCursor(x.After, -1)
	if err != nil {
		return badAfter()
	}
	clinic, err := clinicOf(p)
	if err != nil {
		return err
	}
	at, note, err := c.beginExport(ctx, p, clinic, x, after)
	if err != nil {
		return fmt.Errorf("export entries: %w", err)
	}
	out := &exporter{send: send}
	if x.Format == ExportCSV {
		out.form = &csvForm{}
	} else {
		out.form = linesForm{}
	}
	if x.After == "" {
		out.form.begin(&out.buf)
	}
	count, err := c.exportSpan(ctx, clinic, x.Filter, at, out)
	if err != nil {
		return fmt.Errorf("export entries: %w", err)
	}
	if err := out.form.end(&out.buf, exportEnd{End: true, Entries: count, Last: at.last, Checkpoint: note}); err != nil {
		return fmt.Errorf("export entries: %w", err)
	}
	return out.flush(ctx, 0)
}

func badAfter() error {
	return fault.InvalidFields([]fault.Violation{{Field: "after", Rule: "export.after", Text: "after is the number of an entry of the log"}})
}

// beginExport settles what is exported: everything up to the head as it stands, which it has signed. It records the read.
func (c *Casework) beginExport(ctx context.Context, p authn.Principal, clinic string, x Export, after int64) (at span, note string, err error) {
	err = c.reading(ctx, p, clinic, func(tx *store.Tx) (shown, error) {
		var size int64
		if note, size, _, err = c.log.Checkpoint(ctx, tx, clinic); err != nil {
			return shown{}, err
		}
		if after >= size {
			return shown{}, badAfter()
		}
		// The filter narrows what is read; the end tells of the whole log.
		at = span{after: after, last: size - 1}
		what := fmt.Sprintf("export of entries: %s; from %d to %d", x.Filter.words(), after+1, size-1)
		return shown{what: what, subjects: x.Filter.about()}, nil
	})
	return at, note, err
}

// exportSpan exports the entries of a span and counts them.
func (c *Casework) exportSpan(ctx context.Context, clinic string, f EntryFilter, whole span, out *exporter) (count int64, err error) {
	known := make(map[string]string)
	var at span
	begun := false
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return count, err
		}
		var batch []exportEntry
		err := c.store.ReadClinic(ctx, clinic, func(tx *store.Tx) error {
			batch = batch[:0]
			if !begun {
				narrow, err := spanOf(ctx, tx, f, whole.after)
				if err != nil {
					return err
				}
				at = span{after: narrow.after, last: min(narrow.last, whole.last)}
			}
			rows, err := tx.FilteredEntries(ctx, f.stored(at), exportBatch)
			if err != nil {
				return err
			}
			batch, err = exported(ctx, &names{tx: tx, known: known}, rows)
			return err
		})
		if err != nil {
			return count, err
		}
		begun = true
		for i := range batch {
			if err := out.entry(ctx, batch[i]); err != nil {
				return count, err
			}
		}
		count += int64(len(batch))
		if more = len(batch) == exportBatch; more {
			at.after = batch[len(batch)-1].Number
		}
	}
	return count, nil
}

// exported are rows as an export tells them.
func exported(ctx context.Context, n *names, rows []store.EntryRow) ([]exportEntry, error) {
	out := make([]exportEntry, 0, len(rows))
	for _, row := range rows {
		v, err := n.view(ctx, row)
		if err != nil {
			return nil, err
		}
		e, err := exportOf(v, row.Nodes)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

// exporter writes entries in a form and hands them on in pieces.
type exporter struct {
	form exportForm
	buf  bytes.Buffer
	send func([]byte) error
}

// exportForm writes an export in one format. Each entry ends with the end of its line.
type exportForm interface {
	begin(*bytes.Buffer)
	entry(*bytes.Buffer, exportEntry) error
	end(*bytes.Buffer, exportEnd) error
}

func (x *exporter) entry(ctx context.Context, e exportEntry) error {
	if err := x.form.entry(&x.buf, e); err != nil {
		return err
	}
	return x.flush(ctx, exportPiece)
}

// flush hands on what there is once it is more than keep bytes, as long as somebody is there to take it.
func (x *exporter) flush(ctx context.Context, keep int) error {
	for x.buf.Len() > keep {
		if err := ctx.Err(); err != nil {
			return err
		}
		piece := bytes.Clone(x.buf.Next(4 * exportPiece))
		if err := x.send(piece); err != nil {
			return err
		}
	}
	return nil
}

// exportEnd is the last line of an export.
type exportEnd struct {
	End     bool  `json:"end"`
	Entries int64 `json:"entries"`
	// Last is the number of the newest entry that the log had when the export began, whether it passed the filter or not.
	Last int64 `json:"last"`
	// Checkpoint is the signed note of the log up to Last.
	Checkpoint string `json:"checkpoint"`
}

// exportEntry is an entry as an export tells it. LeafHash is its hash in the log's tree (RFC 6962), in hex: what a tile holds at its place.
type exportEntry struct {
	Number    int64              `json:"number"`
	At        record.Time        `json:"at"`
	Action    string             `json:"action"`
	Actor     exportActor        `json:"actor,omitzero"`
	Reason    string             `json:"reason,omitempty"`
	Subjects  []string           `json:"subjects,omitempty"`
	Records   []exportRecord     `json:"records,omitempty"`
	Disclosed []record.Disclosed `json:"disclosed,omitempty"`
	Erased    []int64            `json:"erased,omitempty"`
	ErasedBy  int64              `json:"erased_by,omitempty"`
	LeafHash  string             `json:"leaf_hash"`
}

type exportActor struct {
	TokenID   string      `json:"token_id,omitempty"`
	MemberID  string      `json:"member_id,omitempty"`
	Name      string      `json:"name,omitempty"`
	Role      record.Role `json:"role,omitempty"`
	App       string      `json:"app,omitempty"`
	RequestID string      `json:"request_id,omitempty"`
}

// exportRecord is a record that an entry wrote; a trial's id is `SESSION/SERIES/TRIAL`.
type exportRecord struct {
	Kind     string `json:"kind"`
	ID       string `json:"id"`
	Revision int    `json:"revision"`
	Digest   string `json:"digest"`
}
