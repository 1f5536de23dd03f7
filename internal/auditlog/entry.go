package auditlog

import (
	"encoding/base64"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/record"
)

// entryOf fills in the entry: the time of the clock, and a digest for each record in the order docs, sessions, results, feed items.
func entryOf(d Draft, number int64, at record.Time, salt []byte) record.Entry {
	e := record.Entry{ClinicID: d.ClinicID, Number: number, At: at, Action: d.Action, Actor: d.Actor, Reason: d.Reason, Subjects: d.Subjects,
		Disclosed: d.Disclosed}
	digest := func(body []byte) string { return canon.DigestBase64url(canon.Digest(salt, body)) }
	for _, doc := range d.Docs {
		e.Records = append(e.Records, record.Written{Kind: doc.Kind, ID: doc.ID, Revision: doc.Revision, Digest: digest(doc.Body)})
	}
	for _, s := range d.Sessions {
		e.Records = append(e.Records, record.Written{Kind: record.KindSession, ID: s.ID, Revision: s.Revision, Digest: digest(s.Body),
			Trials: trialsOf(d, s.ID, s.Revision, salt)})
	}
	for _, r := range d.Results {
		e.Records = append(e.Records, record.Written{Kind: record.KindResult, ID: r.ID, Revision: 1, Digest: digest([]byte(r.JWS))})
	}
	for _, f := range d.Feed {
		e.Records = append(e.Records, record.Written{Kind: record.KindFeedItem, ID: f.ResultID, Revision: 1, Digest: digest(f.Body)})
	}
	return e
}

// trialsOf groups the trials of one revision of a session into runs of consecutive numbers of one series, in the order of the draft.
func trialsOf(d Draft, sessionID string, revision int, salt []byte) []record.WrittenTrials {
	var runs []record.WrittenTrials
	var joined []byte
	series, next := 0, 0
	flush := func() {
		if len(joined) > 0 {
			runs[len(runs)-1].Digests = base64.RawURLEncoding.EncodeToString(joined)
		}
		joined = joined[:0]
	}
	for _, t := range d.Trials {
		if t.SessionID != sessionID || t.Revision != revision {
			continue
		}
		if len(runs) == 0 || t.Series != series || t.Number != next {
			flush()
			runs = append(runs, record.WrittenTrials{Series: t.Series, First: t.Number})
		}
		sum := canon.Digest(salt, t.Body)
		joined = append(joined, sum[:]...)
		series, next = t.Series, t.Number+1
	}
	flush()
	return runs
}

// covered counts the trials that the entry holds a digest of. A trial is covered when its session is written at the same revision.
func covered(e record.Entry) int {
	n := 0
	for _, r := range e.Records {
		for _, t := range r.Trials {
			n += base64.RawURLEncoding.DecodedLen(len(t.Digests)) / merkle.HashSize
		}
	}
	return n
}

// encode writes the entry's canonical JSON: the same bytes as canon.Marshal, which costs more. Members stand in the order of their names.
func encode(e record.Entry) ([]byte, error) {
	w := canon.NewWriter(make([]byte, 0, sizeHint(e)))
	w.BeginObject()
	w.StringField("action", e.Action)
	w.Key("actor")
	encodeActor(w, e.Actor)
	w.StringField("at", e.At.String())
	w.StringField("clinic_id", e.ClinicID)
	encodeShownAndErased(w, e)
	w.IntField("number", e.Number)
	optional(w, "reason", e.Reason)
	if len(e.Records) > 0 {
		w.Key("records")
		w.BeginArray()
		for _, r := range e.Records {
			encodeWritten(w, r)
		}
		w.EndArray()
	}
	if len(e.Remains) > 0 {
		w.Key("remains")
		w.BeginArray()
		for _, digest := range e.Remains {
			w.String(digest)
		}
		w.EndArray()
	}
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

// encodeShownAndErased writes the members that few actions have.
func encodeShownAndErased(w *canon.Writer, e record.Entry) {
	if len(e.Disclosed) > 0 {
		w.Key("disclosed")
		w.BeginArray()
		for _, d := range e.Disclosed {
			w.BeginObject()
			if d.RawTrials {
				w.BoolField("raw_trials", true)
			}
			w.StringField("release_id", d.ReleaseID)
			w.StringField("result_id", d.ResultID)
			w.EndObject()
		}
		w.EndArray()
	}
	if len(e.Erased) > 0 {
		w.Key("erased")
		w.BeginArray()
		for _, n := range e.Erased {
			w.Int(n)
		}
		w.EndArray()
	}
}

func encodeActor(w *canon.Writer, a record.Actor) {
	w.BeginObject()
	optional(w, "app", a.App)
	optional(w, "label", a.Label)
	optional(w, "member_id", a.MemberID)
	optional(w, "request_id", a.RequestID)
	optional(w, "role", string(a.Role))
	optional(w, "token_id", a.TokenID)
	w.EndObject()
}

func encodeWritten(w *canon.Writer, r record.Written) {
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

func optional(w *canon.Writer, name, value string) {
	if value != "" {
		w.StringField(name, value)
	}
}

// sizeHint is about how long the entry gets, so that its buffer grows at most once.
func sizeHint(e record.Entry) int {
	const fixed, each = 600, 200
	n := fixed + each*(len(e.Records)+len(e.Subjects))
	for _, r := range e.Records {
		for _, t := range r.Trials {
			n += len(t.Digests) + 64
		}
	}
	return n
}
