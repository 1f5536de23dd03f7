package casework

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
)

// exportOf is an entry as an export tells it; nodes begin with its leaf hash. Of one that was erased only number, time and action are told.
func exportOf(v EntryView, nodes []byte) (exportEntry, error) {
	e := v.Entry
	if len(nodes) < merkle.HashSize {
		return exportEntry{}, fault.New(fault.Internal, "STORED_ENTRY", "a stored audit entry has no hash; run the audit check")
	}
	out := exportEntry{Number: e.Number, At: e.At, Action: e.Action, LeafHash: hex.EncodeToString(nodes[:merkle.HashSize]), ErasedBy: v.ErasedBy}
	if v.ErasedBy > 0 {
		return out, nil
	}
	out.Actor = exportActor{TokenID: e.Actor.TokenID, MemberID: e.Actor.MemberID, Name: v.ActorName, Role: e.Actor.Role, App: e.Actor.App,
		RequestID: e.Actor.RequestID}
	out.Reason, out.Subjects, out.Disclosed, out.Erased = e.Reason, e.Subjects, e.Disclosed, e.Erased
	for _, r := range e.Records {
		out.Records = append(out.Records, exportRecord{Kind: r.Kind, ID: r.ID, Revision: r.Revision, Digest: r.Digest})
		for _, t := range r.Trials {
			trials, err := exportTrials(r, t)
			if err != nil {
				return exportEntry{}, err
			}
			out.Records = append(out.Records, trials...)
		}
	}
	return out, nil
}

// exportTrials takes the joined digests of consecutive trials apart.
func exportTrials(r record.Written, t record.WrittenTrials) ([]exportRecord, error) {
	joined, err := base64.RawURLEncoding.DecodeString(t.Digests)
	if err != nil || len(joined)%merkle.HashSize != 0 {
		return nil, fault.New(fault.Internal, "STORED_ENTRY", "a stored audit entry cannot be read; run the audit check")
	}
	var out []exportRecord
	for i := 0; i < len(joined); i += merkle.HashSize {
		out = append(out, exportRecord{Kind: record.KindTrial, ID: fmt.Sprintf("%s/%d/%d", r.ID, t.Series, t.First+i/merkle.HashSize), Revision: r.Revision,
			Digest: base64.RawURLEncoding.EncodeToString(joined[i : i+merkle.HashSize])})
	}
	return out, nil
}

// linesForm writes one JSON object a line.
type linesForm struct{}

func (linesForm) begin(*bytes.Buffer) {}

func (linesForm) entry(buf *bytes.Buffer, e exportEntry) error { return writeLine(buf, e) }

func (linesForm) end(buf *bytes.Buffer, e exportEnd) error { return writeLine(buf, e) }

func writeLine(buf *bytes.Buffer, v any) error {
	enc := json.NewEncoder(buf)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("write line: %w", err)
	}
	return nil
}

// csvColumns are the names of the columns. The last three are those of the final record, whose number is `end`.
var csvColumns = []string{"number", "at", "action", "token_id", "member_id", "name", "role", "app", "request_id", "reason", "subjects", "records", "disclosed",
	"erased", "erased_by", "leaf_hash", "entries", "last", "checkpoint"}

// csvForm writes RFC 4180: records end with CR LF, what needs it stands in quotes.
type csvForm struct{}

func (csvForm) begin(buf *bytes.Buffer) {
	// A buffer takes everything, so that nothing can fail.
	_ = writeCSV(buf, csvColumns)
}

func (csvForm) entry(buf *bytes.Buffer, e exportEntry) error {
	records := make([]string, 0, len(e.Records))
	for _, r := range e.Records {
		records = append(records, fmt.Sprintf("%s:%s@%d=%s", r.Kind, r.ID, r.Revision, r.Digest))
	}
	disclosed := make([]string, 0, len(e.Disclosed))
	for _, d := range e.Disclosed {
		with := "without-raw-trials"
		if d.RawTrials {
			with = "with-raw-trials"
		}
		disclosed = append(disclosed, d.ResultID+"/"+d.ReleaseID+"/"+with)
	}
	erased := make([]string, 0, len(e.Erased))
	for _, n := range e.Erased {
		erased = append(erased, strconv.FormatInt(n, 10))
	}
	by := ""
	if e.ErasedBy > 0 {
		by = strconv.FormatInt(e.ErasedBy, 10)
	}
	return writeCSV(buf, []string{strconv.FormatInt(e.Number, 10), e.At.String(), e.Action, e.Actor.TokenID, e.Actor.MemberID, e.Actor.Name,
		string(e.Actor.Role), e.Actor.App, e.Actor.RequestID, e.Reason, strings.Join(e.Subjects, " "), strings.Join(records, " "),
		strings.Join(disclosed, " "), strings.Join(erased, " "), by, e.LeafHash, "", "", ""})
}

// end writes the checkpoint in base64, since a note's line ends would not survive as CSV.
func (csvForm) end(buf *bytes.Buffer, e exportEnd) error {
	cells := make([]string, len(csvColumns))
	cells[0] = "end"
	tail := cells[len(cells)-3:]
	tail[0], tail[1], tail[2] = strconv.FormatInt(e.Entries, 10), strconv.FormatInt(e.Last, 10), base64.StdEncoding.EncodeToString([]byte(e.Checkpoint))
	return writeCSV(buf, cells)
}

func writeCSV(buf *bytes.Buffer, cells []string) error {
	w := csv.NewWriter(buf)
	w.UseCRLF = true
	guarded := make([]string, len(cells))
	for i, cell := range cells {
		guarded[i] = noFormula(cell)
	}
	if err := w.Write(guarded); err != nil {
		return fmt.Errorf("write record: %w", err)
	}
	w.Flush()
	return w.Error()
}

// noFormula keeps a cell from being run as a formula where the file is opened as a spreadsheet: one that begins with a character that starts a formula gets an
// apostrophe before it (OWASP, "CSV Injection": = + - @, tab and carriage return).
func noFormula(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
