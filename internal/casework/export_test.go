package casework

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ponderal.example/internal/authn"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
	"ponderal.example/internal/seal"
)

// export is a whole export as text.
func (w *world) export(p authn.Principal, x Export) string {
	w.t.Helper()
	var out bytes.Buffer
	err := w.c.ExportEntries(w.ctx, p, x, func(piece []byte) error {
		out.Write(piece)
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return out.String()
}

// lines takes an export of JSON lines apart; the end is nil where there is none.
func lines(t testing.TB, text string) (entries []exportEntry, end *exportEnd) {
	t.Helper()
	for line := range strings.Lines(text) {
		if end != nil || !strings.HasSuffix(line, "\n") {
			t.Fatalf("line %q", line)
		}
		if strings.Contains(line, `"end":true`) {
			end = new(exportEnd)
			if err := json.Unmarshal([]byte(line), end); err != nil {
				t.Fatal(err)
			}
			continue
		}
		var e exportEntry
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		entries = append(entries, e)
	}
	return entries, end
}

// TestExportLines: an export holds each entry as GetEntry has it, with its leaf hash; the end names the signed head that all of them are in.
func TestExportLines(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	must(w.c.CorrectTrial(w.ctx, w.reviewer(east), correction(t, s, 1)))(t)
	size := w.size(east)
	entries, end := lines(t, w.export(w.admin(east), Export{Format: ExportLines}))
	if end == nil || int64(len(entries)) != size || end.Entries != size || end.Last != size-1 {
		t.Fatalf("%d entries of %d, end %+v", len(entries), size, end)
	}
	checkpoint, err := seal.VerifyCheckpoint(w.ring, logName+"/"+east, end.Checkpoint)
	if err != nil || checkpoint.Size != size {
		t.Errorf("checkpoint %+v, %v", checkpoint, err)
	}
	var tree merkle.Edge
	for i, e := range entries {
		view, proof, err := w.c.GetEntry(w.ctx, w.admin(east), int64(i))
		if err != nil {
			t.Fatal(err)
		}
		leaf := merkle.LeafHash(proof.Salt, []byte(proof.Entry))
		if e.Number != int64(i) || e.LeafHash != hex.EncodeToString(leaf[:]) || e.Action != view.Entry.Action || !e.At.Equal(view.Entry.At) ||
			e.Reason != view.Entry.Reason || e.Actor.TokenID != view.Entry.Actor.TokenID || e.Actor.Name != view.ActorName {
			t.Errorf("entry %d: %+v, want %+v", i, e, view)
		}
		if _, err := tree.Append(leaf); err != nil {
			t.Fatal(err)
		}
	}
	if tree.Root() != checkpoint.Root {
		t.Error("the leaves of the export do not make the tree of its checkpoint")
	}
	fix := entries[size-1]
	want := exportRecord{Kind: record.KindTrial, ID: s.ID + "/1/4", Revision: 2}
	got := fix.Records[len(fix.Records)-1]
	want.Digest = got.Digest
	if got != want || len(got.Digest) != 43 {
		t.Errorf("the correction wrote %+v", fix.Records)
	}
	filtered, end := lines(t, w.export(w.admin(east), Export{Format: ExportLines, Filter: EntryFilter{MemberID: dana, Since: record.TimeOf(day)}}))
	if len(filtered) != 1 || filtered[0].Number != size-1 || end.Entries != 1 || end.Last != size-1 {
		t.Errorf("what Dana did: %+v, end %+v", filtered, end)
	}
}

// TestExportCSV: RFC 4180 with line ends CR LF, as many cells in each record, and no cell that a spreadsheet would run.
func TestExportCSV(t *testing.T) {
	t.Parallel()
	w, s := pushed(t)
	in := correction(t, s, 1)
	in.Reason = "=1+1, \"misread\"\nand more"
	p := w.reviewer(east)
	p.App = "@app"
	must(w.c.CorrectTrial(w.ctx, p, in))(t)
	text := w.export(w.admin(east), Export{Format: ExportCSV})
	if !strings.HasPrefix(text, strings.Join(csvColumns, ",")+"\r\n") || !strings.HasSuffix(text, "\r\n") {
		t.Errorf("begins or ends otherwise: %.200q", text)
	}
	r := csv.NewReader(strings.NewReader(text))
	all := must(r.ReadAll())(t)
	column := func(row []string, name string) string {
		for i, c := range csvColumns {
			if c == name {
				return row[i]
			}
		}
		t.Fatalf("no column %s", name)
		return ""
	}
	size := w.size(east)
	if int64(len(all)) != size+2 {
		t.Fatalf("%d records, want a header, %d entries and the end", len(all), size)
	}
	fix, last := all[size], all[size+1]
	if got := column(fix, "reason"); got != "'=1+1, \"misread\"\nand more" {
		t.Errorf("reason %q", got)
	}
	if got := column(fix, "app"); got != "'@app" {
		t.Errorf("app %q", got)
	}
	if got := column(fix, "records"); !strings.Contains(got, "trial:"+s.ID+"/1/4@2=") {
		t.Errorf("records %q", got)
	}
	if got := column(fix, "subjects"); !strings.HasPrefix(got, "session:"+s.ID+" trial:"+s.ID+"/1/4 ") {
		t.Errorf("subjects %q", got)
	}
	note := must(base64.StdEncoding.DecodeString(column(last, "checkpoint")))(t)
	if _, err := seal.VerifyCheckpoint(w.ring, logName+"/"+east, string(note)); err != nil {
		t.Errorf("checkpoint %q: %v", note, err)
	}
	if column(last, "number") != "end" || column(last, "entries") != fmt.Sprint(size) || column(last, "last") != fmt.Sprint(size-1) {
		t.Errorf("the end %q", last)
	}
}

// TestNoFormula: each of the characters that OWASP, "CSV Injection", lists begins a formula, and nothing else is touched.
func TestNoFormula(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"=1": "'=1", "+1": "'+1", "-1": "'-1", "@a": "'@a", "\tx": "'\tx", "\rx": "'\rx",
		"": "", "1-1": "1-1", "a=b": "a=b", " =1": " =1", "'=1": "'=1", "é=": "é=",
	} {
		if got := noFormula(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}

var errAway = errors.New("away")

// TestExportCutOff: an export that breaks off anywhere has no end, and the entry after its last whole line is where the rest begins: nothing is missing, nothing
// there twice. The rest is of the log as it is then.
func TestExportCutOff(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.ready(east)
	for i := range 150 {
		must(w.c.PutJobProfile(w.ctx, w.admin(east), record.JobProfile{ID: id("b2", i), Title: strings.Repeat("long ", 40), Tasks: []record.JobTask{
			{Name: "shelve", Zone: record.FloorWaist, Pace: record.Occasional, Load: lb(t, "40")}}}, 0))(t)
	}
	whole := w.export(w.admin(east), Export{Format: ExportLines})
	ways := map[string]func(room int) string{
		"the reader goes away": func(room int) string {
			var part bytes.Buffer
			err := w.c.ExportEntries(w.ctx, w.admin(east), Export{Format: ExportLines}, func(piece []byte) error {
				if part.Write(piece[:min(len(piece), room-part.Len())]); part.Len() >= room {
					return errAway
				}
				return nil
			})
			if !errors.Is(err, errAway) {
				t.Errorf("the end of an export to nobody: %v", err)
			}
			return part.String()
		},
		"the call is cancelled": func(int) string {
			var part bytes.Buffer
			ctx, cancel := context.WithCancel(w.ctx)
			defer cancel()
			err := w.c.ExportEntries(ctx, w.admin(east), Export{Format: ExportLines}, func(piece []byte) error {
				part.Write(piece)
				cancel()
				return nil
			})
			if !errors.Is(err, context.Canceled) && !fault.Is(err, fault.Canceled) {
				t.Errorf("the end of a cancelled export: %v", err)
			}
			return part.String()
		},
	}
	for name, cut := range ways {
		for _, room := range []int{1, 100, len(whole) / 2, len(whole) - 1} {
			part := cut(room)
			part = part[:strings.LastIndex(part, "\n")+1]
			before, end := lines(t, part)
			if end != nil {
				t.Fatalf("%s: a part of %d bytes has an end", name, room)
			}
			x := Export{Format: ExportLines}
			if len(before) > 0 {
				x.After = fmt.Sprint(before[len(before)-1].Number)
			}
			rest := w.export(w.admin(east), x)
			_, end = lines(t, rest)
			got := part + rest[:strings.LastIndex(strings.TrimSuffix(rest, "\n"), "\n")+1]
			want := whole[:strings.LastIndex(strings.TrimSuffix(whole, "\n"), "\n")+1]
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s at %d: part and rest are not the whole\n%s", name, room, diff)
			}
			if end == nil || end.Entries+int64(len(before)) != w.size(east) {
				t.Errorf("%s at %d: the rest ends with %+v after %d", name, room, end, len(before))
			}
		}
	}
}

func TestExportAfter(t *testing.T) {
	t.Parallel()
	w, _ := pushed(t)
	size := w.size(east)
	for _, format := range []ExportFormat{ExportLines, ExportCSV} {
		text := w.export(w.admin(east), Export{Format: format, After: fmt.Sprint(size - 1)})
		if strings.Count(text, "\n") != 1 || !strings.Contains(text, "end") {
			t.Errorf("after the last entry there is the end alone, but: %q", text)
		}
	}
	for _, after := range []string{fmt.Sprint(size), "-1", "x", "01"} {
		err := w.c.ExportEntries(w.ctx, w.admin(east), Export{Format: ExportLines, After: after}, func([]byte) error { return nil })
		wantInvalid(t, err, "after export.after")
	}
	since := record.TimeOf(day)
	err := w.c.ExportEntries(w.ctx, w.admin(east), Export{Format: ExportLines, Filter: EntryFilter{Since: since, Until: since}}, func([]byte) error { return nil })
	wantInvalid(t, err, "filter.until period.order")
	err = w.c.ExportEntries(w.ctx, w.auditor(id("c1", 9)), Export{Format: ExportLines}, func([]byte) error { return nil })
	if !fault.Is(err, fault.NotFound) {
		t.Errorf("a clinic that is not there: %v", err)
	}
}
