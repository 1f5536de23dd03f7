package auditcheck

import (
	"ponderal.example/internal/canon"
	"ponderal.example/internal/record"
)

// respell writes the canonical form of an entry: its members in the order of their names, those without a value left out.
func respell(e record.Entry, size int) ([]byte, error) {
	w := canon.NewWriter(make([]byte, 0, size))
	w.BeginObject()
	w.StringField("action", e.Action)
	w.Key("actor")
	w.BeginObject()
	filled(w, "app", e.Actor.App)
	filled(w, "label", e.Actor.Label)
	filled(w, "member_id", e.Actor.MemberID)
	filled(w, "request_id", e.Actor.RequestID)
	filled(w, "role", string(e.Actor.Role))
	filled(w, "token_id", e.Actor.TokenID)
	w.EndObject()
	w.StringField("at", e.At.String())
	w.StringField("clinic_id", e.ClinicID)
	w.IntField("number", e.Number)
	filled(w, "reason", e.Reason)
	respellRecords(w, e.Records)
	if len(e.Subjects) > 0 {
		w.Key("subjects")
		w.BeginArray()
		for _, s := range e.Subjects {
			w.String(s)
		}
		w.EndArray()
	}
	w.EndObject()
	return w.Bytes()
}

func respellRecords(w *canon.Writer, list []record.Written) {
	if len(list) == 0 {
		return
	}
	w.Key("records")
	w.BeginArray()
	for _, r := range list {
		w.BeginObject()
		w.StringField("digest", r.Digest)
		w.StringField("id", r.ID)
		w.StringField("kind", r.Kind)
		w.IntField("revision", int64(r.Revision))
		if len(r.Trials) > 0 {
			w.Key("trials")
			w.BeginArray()
			for _, t := range r.Trials {
				w.BeginObject()
				w.StringField("digests", t.Digests)
				w.IntField("first", int64(t.First))
				w.IntField("series", int64(t.Series))
				w.EndObject()
			}
			w.EndArray()
		}
		w.EndObject()
	}
	w.EndArray()
}

func filled(w *canon.Writer, name, value string) {
	if value != "" {
		w.StringField(name, value)
	}
}
