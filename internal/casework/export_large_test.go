package casework

import (
	"bytes"
	"fmt"
	"math/bits"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ponderal.example/internal/record"
)

// longLog makes a clinic's log longer by so many entries, past the service. Nine in ten are pushes by a station, of so many trials (a multiple of
// three); of the rest each member in turn did one. Their times are a minute apart, from a day on. The tree is not one: what is tested here does not look at it.
func (w *world) longLog(clinic string, entries, trials int, from time.Time) (size int64) {
	w.t.Helper()
	conn := must(pgx.Connect(w.ctx, w.db.SuperURL))(w.t)
	defer func() { _ = conn.Close(w.ctx) }()
	var first int64
	if err := conn.QueryRow(w.ctx, "SELECT size FROM ponderal.audit_head WHERE clinic_id = $1", clinic).Scan(&first); err != nil {
		w.t.Fatal(err)
	}
	size = first + int64(entries)
	for _, sql := range []string{
		fmt.Sprintf(`INSERT INTO ponderal.audit_entry (clinic_id, number, at, action, subjects, content, salt, nodes)
			SELECT '%[1]s', n, m, CASE WHEN person THEN 'trial.correct' ELSE 'session.push' END, ARRAY['session:' || %[4]s, 'client:' || %[5]s],
				'{"action":"' || CASE WHEN person THEN 'trial.correct' ELSE 'session.push' END || '","actor":{"app":"station",'
				|| CASE WHEN person THEN '"label":"x","member_id":"' || (ARRAY['%[6]s', '%[7]s', '%[8]s'])[1 + n / 10 %% 3] || '","request_id":"r","role":"reviewer"' ELSE '"label":"station 1","request_id":"r","role":"station"' END
				|| ',"token_id":"%[9]s"},"at":"' || to_char(m AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"') || '","clinic_id":"%[1]s","number":' || n
				|| ',"records":[{"digest":"`+digest43+`","id":"' || %[4]s || '","kind":"session","revision":1,"trials":[{"digests":"' || CASE WHEN person THEN '' ELSE repeat('%[11]s', %[12]d) END || '","first":1,"series":1}]}],"subjects":["session:' || %[4]s || '","client:' || %[5]s || '"]}',
				sha256(n::text::bytea), sha256(n::text::bytea)
			FROM (SELECT n, '%[10]s'::timestamptz + n * interval '1 minute' AS m, n %% 10 = 0 AS person FROM generate_series(%[2]d, %[3]d) n) x`,
			clinic, first, size-1, "md5(n::text)", "md5((n / 7)::text)", dana, sam, robin, id("aa", 2), from.Format(time.RFC3339), strings.Repeat("abcd", 32), trials/3),
		fmt.Sprintf(`UPDATE ponderal.audit_head SET size = %d, edge = decode(repeat('ab', %d), 'hex') WHERE clinic_id = '%s'`, size, 32*bits.OnesCount64(uint64(size)), clinic),
		"ANALYZE ponderal.audit_entry",
	} {
		if _, err := conn.Exec(w.ctx, sql); err != nil {
			w.t.Fatal(err)
		}
	}
	return size
}

const digest43 = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// TestExportTakesLittleMemory: an export of 40,000 entries, some 35 MB, leaves less than 24 MB on the heap at any piece. How much it allocates in
// all does not matter; that nothing of it stays does.
func TestExportTakesLittleMemory(t *testing.T) {
	w := newWorld(t)
	size := w.longLog(east, 40_000, 3, day)
	runtime.GC()
	var now runtime.MemStats
	runtime.ReadMemStats(&now)
	before, most, total, pieces := now.HeapInuse, uint64(0), 0, 0
	defer debug.SetGCPercent(debug.SetGCPercent(20))
	var last []byte
	err := w.c.ExportEntries(w.ctx, w.admin(east), Export{Format: ExportLines}, func(piece []byte) error {
		total += len(piece)
		last = piece
		if pieces++; pieces%50 == 0 {
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapInuse)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(last, fmt.Appendf(nil, `{"end":true,"entries":%d,"last":%d,`, size, size-1)) {
		t.Errorf("the export ends with %.300q", last)
	}
	const room = 24 << 20
	t.Logf("%d MB in %d pieces; at most %d KiB more of the heap than before", total>>20, pieces, (int64(most)-int64(before))>>10)
	if total < 30<<20 || most > before+room {
		t.Errorf("an export of %d bytes took %d bytes of the heap, want at most %d", total, most-before, room)
	}
}

// BenchmarkEntriesOfAMember measures "everything one person did in a period" over a clinic's log of 200,000 entries: of a month, of the whole log, and of somebody
// who never did anything.
func BenchmarkEntriesOfAMember(b *testing.B) {
	w := newWorld(b)
	w.longLog(east, 200_000, 48, day)
	month := EntryFilter{MemberID: sam, Since: record.TimeOf(day.AddDate(0, 2, 0)), Until: record.TimeOf(day.AddDate(0, 3, 0))}
	for name, f := range map[string]EntryFilter{
		"month, all pages": month, "whole log, all pages": {MemberID: sam}, "nobody": {MemberID: lee}, "record": {RecordID: "x"},
		"nothing in an hour": {MemberID: lee, Since: month.Since, Until: record.TimeOf(month.Since.Std().Add(time.Hour))},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				found, pages := 0, 0
				page := record.Page{Size: 500}
				for {
					got, err := w.c.ListEntries(w.ctx, w.admin(east), f, page)
					if err != nil {
						b.Fatal(err)
					}
					found += len(got.Items)
					pages++
					if page.Cursor = got.Next; got.Next == "" {
						break
					}
				}
				b.ReportMetric(float64(found), "entries")
				b.ReportMetric(float64(pages), "pages")
			}
		})
	}
}
