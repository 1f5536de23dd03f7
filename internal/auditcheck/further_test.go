package auditcheck

import (
	"fmt"

	"ponderal.example/internal/auditlog"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// further gives each kind of document of which the use cases above left fewer than two in a clinic two more, so that whatever is tried on every table is
// tried on those of sign-in, countersignatures and the like as well. To the check a body is text whose digest an entry has.
func (w *world) further() {
	for _, clinic := range []string{east, west} {
		for i, kind := range store.ScanKinds() {
			if n := w.ask("SELECT count(*)::text FROM ponderal."+kind+" WHERE clinic_id = $1", clinic)[0]; n != "0" && n != "1" || kind == record.KindPayer {
				continue
			}
			for n := range 2 {
				doc := store.DocRow{Kind: kind, ID: id("fd", 100*i+n), Revision: 1, Body: fmt.Appendf(nil, `{"kind":%q,"n":%d}`, kind, n)}
				err := w.store.InClinic(w.ctx, clinic, func(tx *store.Tx) error {
					_, err := w.log.Append(w.ctx, tx, auditlog.Draft{ClinicID: clinic, Action: kind + ".put", Actor: record.Actor{App: "test"},
						Subjects: []string{kind + ":" + doc.ID}, Docs: []store.DocRow{doc}}, false)
					return err
				})
				if err != nil {
					w.t.Fatalf("%s: %v", kind, err)
				}
			}
		}
	}
}
