package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
)

func auditExportCommand() command {
	return command{
		name:  "audit export",
		about: "Export the entries of a clinic's audit log into a file, over the service's REST interface.",
		detail: `Writes the entries that pass the filters into a file, as JSON lines or CSV, whole lines only, with progress on standard
error. The last line says that it is the last; without it the export was cut off: the command then fails, says after which
entry, and goes on with -after. The token is one of a clinic's administrator, or of the network's auditor with -clinic.
Each line has the entry's leaf hash, and the last the signed head of the log, so that they can be held against its tiles.`,
		examples: []string{
			"ponderal audit export -service https://ponderal.example -token-file token.txt -out log.jsonl",
			"ponderal audit export -service https://ponderal.example -token-file token.txt -out log.jsonl -after 51234",
			"ponderal audit export -service https://ponderal.example -token-file token.txt -clinic CLINIC_ID -member MEMBER_ID -since 2026-03-01T00:00:00Z -format csv -out march.csv",
		},
		run: runAuditExport,
	}
}

// exportQuery are the flags that become parts of the query, with what they mean.
var exportQuery = []struct{ flag, parameter, about string }{
	{"clinic", "clinicId", "the clinic with this `ID`; a clinic's own token needs none"},
	{"member", "filter.memberId", "only what the member with this `ID` did"},
	{"by-token", "filter.tokenId", "only what was done with the token of this `ID`"},
	{"app", "filter.app", "only what was done from the app of this `NAME`"},
	{"kind", "filter.kind", "only entries that wrote a record of this `KIND`"},
	{"record", "filter.recordId", "only entries that wrote or were about the record of this `ID`"},
	{"action", "filter.action", "only this `ACTION`; with a final point all that begin so"},
	{"since", "filter.since", "only at or after this `TIME` (RFC 3339)"},
	{"until", "filter.until", "only before this `TIME` (RFC 3339)"},
}

// exporting is one run of the command.
type exporting struct {
	service, token, out, format, after string
	query                              url.Values
}

func runAuditExport(ctx context.Context, w world, f *flags) error {
	x := exporting{query: url.Values{}}
	f.StringVar(&x.service, "service", "", "`URL` of the service's REST interface (required)")
	tokenFile := f.String("token-file", "", "`FILE` with the token (required)")
	f.StringVar(&x.out, "out", "", "`FILE` to write (required); it must not exist, unless -after is given")
	f.StringVar(&x.format, "format", "jsonl", "`FORMAT`: jsonl or csv")
	f.StringVar(&x.after, "after", "", "go on after the entry of this `NUMBER`, the last of the file")
	given := make([]*string, len(exportQuery))
	for i, q := range exportQuery {
		given[i] = f.String(q.flag, "", q.about)
	}
	if err := f.read(0, 0); err != nil {
		return err
	}
	formats := map[string]string{"jsonl": "EXPORT_FORMAT_JSON_LINES", "csv": "EXPORT_FORMAT_CSV"}
	if x.service == "" || *tokenFile == "" || x.out == "" {
		return usagef("-service URL, -token-file FILE and -out FILE are required")
	}
	if formats[x.format] == "" {
		return usagef("-format is jsonl or csv, not %q", x.format)
	}
	token, err := os.ReadFile(*tokenFile)
	if err != nil {
		return fmt.Errorf("read token: %w", err)
	}
	x.token = strings.TrimSpace(string(token))
	x.query.Set("format", formats[x.format])
	for i, q := range exportQuery {
		if *given[i] != "" {
			x.query.Set(q.parameter, *given[i])
		}
	}
	if x.after != "" {
		x.query.Set("after", x.after)
	}
	file, err := x.open()
	if err != nil {
		return err
	}
	return errors.Join(x.fetch(ctx, w, file), file.Close())
}

// open makes the file, or opens it to go on after its last entry.
func (x exporting) open() (*os.File, error) {
	if x.after == "" {
		return os.OpenFile(x.out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	}
	file, err := os.OpenFile(x.out, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	t := &lineTracker{csv: x.format == "csv", to: io.Discard}
	if _, err := io.Copy(t, file); err != nil {
		return nil, errors.Join(fmt.Errorf("read %s: %w", x.out, err), file.Close())
	}
	switch {
	case t.ended:
		err = fmt.Errorf("%s has its last line already: nothing is missing", x.out)
	case t.last != x.after:
		err = fmt.Errorf("%s ends with entry %q: go on with -after %s", x.out, t.last, t.last)
	default:
		// What follows the last whole line is written again.
		err = file.Truncate(t.whole)
		if err == nil {
			_, err = file.Seek(t.whole, io.SeekStart)
		}
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

// fetch asks the service and writes what comes.
func (x exporting) fetch(ctx context.Context, w world, file *os.File) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, strings.TrimSuffix(x.service, "/")+"/v1/audit/export?"+x.query.Encode(), nil)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	req.Header.Set("Authorization", "Bearer "+x.token)
	req.Header.Set("X-Ponderal-App", "ponderal audit export")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() { _ = resp.Body.Close() }()
	if resp.StatusCode != http.StatusOK {
		return x.undo(refusedExport(resp))
	}
	t := &lineTracker{csv: x.format == "csv", to: file, last: x.after, tell: exportProgress(w)}
	_, err = io.Copy(t, resp.Body)
	switch {
	case t.ended:
		fmt.Fprintf(w.stderr, "%d entries written, complete\n", t.entries)
		return nil
	case t.failed != nil:
		return fmt.Errorf("write %s: %w", x.out, t.failed)
	case t.last == "":
		return x.undo(fmt.Errorf("the export was cut off before the first entry; ask again: %w", errors.Join(err, io.ErrUnexpectedEOF)))
	}
	return fmt.Errorf("the export was cut off after entry %s; go on with -after %s", t.last, t.last)
}

// undo takes a file away again that nothing was written to.
func (x exporting) undo(err error) error {
	if x.after != "" {
		return err
	}
	return errors.Join(err, os.Remove(x.out))
}

// refusedExport is what the service says of a request that it refuses.
func refusedExport(resp *http.Response) error {
	text, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	var said struct {
		Message string
		Details []struct {
			FieldViolations []struct{ Field, Description string }
		}
	}
	if err := json.Unmarshal(text, &said); err != nil || said.Message == "" {
		return fmt.Errorf("export: the service answers with HTTP status %d", resp.StatusCode)
	}
	for _, d := range said.Details {
		for _, v := range d.FieldViolations {
			said.Message += "; " + v.Field + ": " + v.Description
		}
	}
	return fmt.Errorf("export: HTTP status %d: %s", resp.StatusCode, said.Message)
}

// exportProgress says how far it is, about once a second.
func exportProgress(w world) func(entries int64, last string) {
	said := w.now()
	return func(entries int64, last string) {
		if now := w.now(); now.Sub(said) >= time.Second {
			said = now
			fmt.Fprintf(w.stderr, "%d entries, up to %s\n", entries, last)
		}
	}
}

// lineTracker hands on whole lines alone, and knows the entry of the last. In CSV a line end within quotes ends no line.
type lineTracker struct {
	csv    bool
	to     io.Writer
	tell   func(entries int64, last string)
	part   []byte
	quoted bool

	whole   int64 // bytes handed on
	entries int64
	last    string // number of the last entry
	ended   bool   // the line that says that it is the last has come
	failed  error
}

// Write takes bytes that are cut anywhere.
func (t *lineTracker) Write(b []byte) (int, error) {
	begin := 0
	for i, c := range b {
		if t.quoted = t.quoted != (t.csv && c == '"'); c != '\n' || t.quoted {
			continue
		}
		t.part = append(t.part, b[begin:i+1]...)
		begin = i + 1
		if err := t.line(); err != nil {
			t.failed = err
			return begin, err
		}
	}
	t.part = append(t.part, b[begin:]...)
	return len(b), nil
}

// line takes the line in part.
func (t *lineTracker) line() error {
	if _, err := t.to.Write(t.part); err != nil {
		return err
	}
	t.whole += int64(len(t.part))
	number := t.number()
	t.part = t.part[:0]
	switch _, err := strconv.ParseUint(number, 10, 63); {
	case number == "end":
		t.ended = true
	case err == nil:
		t.last = number
		t.entries++
		if t.tell != nil {
			t.tell(t.entries, t.last)
		}
	}
	return nil
}

// number is what a line begins with: the number of an entry, or `end`.
func (t *lineTracker) number() string {
	if t.csv {
		cell, _, _ := bytes.Cut(t.part, []byte(","))
		return string(cell)
	}
	var one struct {
		Number *int64 `json:"number"`
		End    bool   `json:"end"`
	}
	switch err := json.Unmarshal(t.part, &one); {
	case err != nil:
		return ""
	case one.End:
		return "end"
	case one.Number == nil:
		return ""
	}
	return strconv.FormatInt(*one.Number, 10)
}
