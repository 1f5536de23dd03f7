package auditcheck

import (
	"fmt"
	"io"
)

// NoEntry is the Entry of a problem that no entry is concerned with.
const NoEntry int64 = -1

// The words for what is no table of records.
const (
	tableEntry      = "audit entry"
	tableHead       = "audit head"
	tableCheckpoint = "checkpoint"
	tableKnown      = "known checkpoint"
	tableFeedHead   = "feed head"
)

// Problem is one thing found wrong, with the row that it is about.
type Problem struct {
	Clinic string
	// Table names the kind of row: "audit entry", "trial", "result" and so on; Key names the row in it, as in "018f…/2/5 revision 1".
	Table, Key string
	// Entry is the audit entry concerned, or NoEntry.
	Entry int64
	What  string
}

// String is the problem in one plain line.
func (p Problem) String() string {
	name := p.Table
	if p.Key != "" {
		name += " " + p.Key
	}
	if p.Clinic == "" {
		return fmt.Sprintf("%s: %s", name, p.What)
	}
	return fmt.Sprintf("%s in clinic %s: %s", name, p.Clinic, p.What)
}

// Report is what a check found and how much it looked at.
type Report struct {
	Problems []Problem
	// Omitted counts the problems beyond those listed.
	Omitted int
	// Logs, Entries, Records and Checkpoints are how many were checked.
	Logs, Entries, Records, Checkpoints int64
	// Before counts the entries before the marks that the check went on from: not checked again.
	Before int64
	// Witnesses are those whose cosignatures are stored, in the order in which they were met.
	Witnesses []Witness

	max int
	// fed counts the items of each payer's feed.
	fed map[string]int64
}

// OK reports whether nothing was found wrong.
func (r Report) OK() bool { return len(r.Problems) == 0 && r.Omitted == 0 }

// WriteText writes the report as plain lines, problems first.
func (r Report) WriteText(w io.Writer) error {
	for _, p := range r.Problems {
		if _, err := fmt.Fprintln(w, p); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	}
	if r.Omitted > 0 {
		if _, err := fmt.Fprintf(w, "and %d more\n", r.Omitted); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	}
	verdict := "Everything stored is what the audit log recorded."
	if !r.OK() {
		verdict = fmt.Sprintf("%d found wrong.", len(r.Problems)+r.Omitted)
	}
	if r.Before > 0 {
		if _, err := fmt.Fprintf(w, "Went on after %d entries that an earlier run had checked; their tree is the same.\n", r.Before); err != nil {
			return fmt.Errorf("write report: %w", err)
		}
	}
	if err := r.writeWitnesses(w); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "Checked %d logs: %d entries, %d records, %d checkpoints. %s\n", r.Logs, r.Entries, r.Records, r.Checkpoints, verdict)
	if err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return nil
}

func (r *Report) add(p Problem) {
	if len(r.Problems) >= r.max {
		r.Omitted++
		return
	}
	r.Problems = append(r.Problems, p)
}

func (r *Report) join(other Report) {
	for _, p := range other.Problems {
		r.add(p)
	}
	r.Omitted += other.Omitted
	r.Logs += other.Logs
	for payer, n := range other.fed {
		r.fed[payer] += n
	}
	r.Entries += other.Entries
	r.Before += other.Before
	r.Records += other.Records
	r.Checkpoints += other.Checkpoints
	r.joinWitnesses(other.Witnesses)
}
