package casework

import (
	"context"
	"strings"
	"time"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
	"ponderal.example/internal/store"
)

// EntryFilter keeps the entries for which everything that is given holds; what is empty does not narrow. Its JSON is what a cursor is bound to.
type EntryFilter struct {
	// Action is one action; with a final point every action that begins so. Also is a second one that must hold too.
	Action string `json:"action,omitempty"`
	Also   string `json:"also,omitempty"`
	// Subject is one of the subjects, `kind:id`.
	Subject string `json:"subject,omitempty"`
	// MemberID, TokenID and App are of who did it.
	MemberID string `json:"member_id,omitempty"`
	TokenID  string `json:"token_id,omitempty"`
	App      string `json:"app,omitempty"`
	// Kind is that of a record which the entry wrote; RecordID that of one which it wrote or was about.
	Kind     string `json:"kind,omitempty"`
	RecordID string `json:"record_id,omitempty"`
	// Since and Until bound the time, at or after and before; zero for no bound.
	Since record.Time `json:"since,omitzero"`
	Until record.Time `json:"until,omitzero"`
}

// check refuses a period that ends before it begins. The path is that of the filter in the request.
func (f EntryFilter) check() error {
	return checkPeriod(f.Since, f.Until, "filter.")
}

func checkPeriod(since, until record.Time, at string) error {
	if since.IsZero() || until.IsZero() || since.Before(until) {
		return nil
	}
	return fault.InvalidFields([]fault.Violation{{Field: at + "until", Rule: "period.order", Text: "a period ends after it begins"}})
}

// stored is the filter over a span of numbers.
func (f EntryFilter) stored(at span) store.EntryFilter {
	return store.EntryFilter{
		After: at.after, Upto: at.last, Action: f.Action, Also: f.Also, Subject: f.Subject, MemberID: f.MemberID, TokenID: f.TokenID, App: f.App,
		Kind: f.Kind, RecordID: f.RecordID, Since: moment(f.Since), Until: moment(f.Until),
	}
}

// moment is the standard library's form, the zero moment for none.
func moment(t record.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.Std()
}

// words say what the filter asks for, for the entry of a read.
func (f EntryFilter) words() string {
	var all []string
	for _, w := range []struct{ name, value string }{
		{"action", f.Action}, {"action", f.Also}, {"subject", f.Subject}, {"member", f.MemberID}, {"token", f.TokenID}, {"app", f.App},
		{"kind", f.Kind}, {"record", f.RecordID}, {"since", periodWord(f.Since)}, {"until", periodWord(f.Until)},
	} {
		if w.value != "" {
			all = append(all, w.name+" "+w.value)
		}
	}
	if len(all) == 0 {
		return "all"
	}
	return strings.Join(all, ", ")
}

func periodWord(t record.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.String()
}

// about are the subjects that the filter itself names.
func (f EntryFilter) about() []string {
	if f.Subject != "" {
		return []string{f.Subject}
	}
	return nil
}

// span are the numbers that a list or an export ranges over: after the one, up to the last. The last is that of the log when it began, so that entries which
// come meanwhile, those of the reader's own reads among them, do not make it endless.
type span struct{ after, last int64 }

// spanOf is the span of the whole log as it stands, narrowed to the filter's period.
func spanOf(ctx context.Context, tx *store.Tx, f EntryFilter, after int64) (span, error) {
	size, _, err := tx.Head(ctx)
	if fault.Is(err, fault.NotFound) {
		// A clinic without a log has no entries.
		return span{after: -1, last: -1}, nil
	}
	if err != nil {
		return span{}, err
	}
	out := span{after: after, last: size - 1}
	if f.Since.IsZero() && f.Until.IsZero() {
		return out, nil
	}
	first, last, err := tx.NumbersBetween(ctx, moment(f.Since), moment(f.Until))
	if err != nil {
		return span{}, err
	}
	return span{after: max(after, first-1), last: min(out.last, last)}, nil
}

// bound is what ties a cursor to the list, the clinic and the question that it belongs to. It keeps mistakes out, and is no secret: whoever makes one up gets
// no more than by asking.
func bound(list, clinic string, question any) (string, error) {
	text, err := canon.Marshal(struct {
		Clinic   string `json:"clinic"`
		List     string `json:"list"`
		Question any    `json:"question"`
	}{clinic, list, question})
	if err != nil {
		return "", textFault(err)
	}
	return canon.DigestHex(canon.Digest(nil, text))[:16], nil
}
