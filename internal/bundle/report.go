package bundle

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ponderal.example/internal/mass"
	"ponderal.example/internal/record"
)

// Minute is how a moment is shown to people.
const Minute = "2006-01-02 15:04 UTC"

// WriteText writes the report as plain lines: every step and, when all held, what the result says, in pounds and kilograms
// rounded to a tenth, with its cautions. Control characters of the document are not passed on to the terminal.
func (r Report) WriteText(w io.Writer) error {
	p := &printer{wrap: r.OK && r.Document.Finding.Engine != "1"}
	p.steps(r)
	if r.OK {
		p.who(r)
		f := r.Document.Finding
		p.screening(f.Screening)
		p.capacities(f)
		p.ofSeries(f.Capacities)
		p.projected(f.Projected)
		p.strength(f)
		p.job(r.Document)
		p.limits(f.Limits)
		p.hands(f.Hands)
		p.positions(f.Positions)
		p.consistency(f.Consistency)
		p.corrections(r.Document)
		p.cautions(r.Document)
	}
	_, err := io.WriteString(w, p.b.String())
	return err
}

// printer builds the text. Everything that came from the document goes through line or row, which clean it.
type printer struct {
	b strings.Builder
	// wrap keeps lines within 100 columns. Findings by rules 1 are written as they always were.
	wrap bool
}

func (p *printer) line(format string, args ...any) {
	text := strings.TrimRight(clean(fmt.Sprintf(format, args...)), " ")
	for _, line := range p.wrapped(text) {
		p.b.WriteString(line)
		p.b.WriteByte('\n')
	}
}

// clean keeps a document from steering a terminal: control and formatting characters become a space.
func clean(s string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case c < ' ', c >= 0x7f && c < 0xa0, c >= 0x200b && c <= 0x200f, c >= 0x2028 && c <= 0x202e, c >= 0x2066 && c <= 0x2069, c == 0xfeff:
			return ' '
		}
		return c
	}, s)
}

func (p *printer) steps(r Report) {
	remarks := slices.ContainsFunc(r.Steps, func(s Step) bool { return s.Remark != "" })
	switch {
	case !r.OK:
		p.line("NOT VERIFIED: do not rely on this result.")
	case !r.Rerun && remarks:
		p.line("VERIFIED WITHOUT THE RAW TRIALS, WITH A REMARK: signature and log hold; the engine was not run again.")
	case !r.Rerun:
		p.line("VERIFIED WITHOUT THE RAW TRIALS: signature and log hold; the engine was not run again.")
	case remarks:
		p.line("VERIFIED: every check holds, with a remark.")
	default:
		p.line("VERIFIED: every check holds.")
	}
	p.line("")
	for _, s := range r.Steps {
		p.line("  %-8s %-11s %s", s.State, s.Name, s.Says)
		if s.Why != "" {
			p.line("  %-8s %-11s because: %s", "", "", s.Why)
		}
		if s.Remark != "" {
			p.line("  %-8s %-11s remark: %s", "", "", s.Remark)
		}
	}
}

func (p *printer) who(r Report) {
	doc, sig := r.Document, r.Document.Signature
	name := sig.Name
	if sig.Credential != "" {
		name += ", " + sig.Credential
	}
	p.line("")
	p.line("Result      %s", doc.ID)
	p.line("Signed by   %s (%s) on %s", name, Plain(sig.Role), Moment(sig.At))
	p.line("As          %s", SignedAs(sig.Meaning))
	for _, second := range r.Countersignatures {
		name := second.Signature.Name
		if second.Signature.Credential != "" {
			name += ", " + second.Signature.Credential
		}
		p.line("Also by     %s (%s) on %s, who %s", name, Plain(second.Signature.Role), Moment(second.Signature.At), SignedAs(second.Signature.Meaning))
	}
	p.line("Clinic      %s", doc.Clinic.Name)
	p.line("Client      %s %s, born %s, %d years old at the session", doc.Client.GivenName, doc.Client.FamilyName, doc.Client.BirthDate, doc.Person.AgeYears)
	p.line("Claim       %s, for %s", doc.Referral.ClaimNumber, doc.PayerName)
	if doc.Referral.Question != "" {
		p.line("Question    %s", doc.Referral.Question)
	}
	p.line("Session     %s to %s, revision %d", Moment(doc.Session.StartedAt), Moment(doc.Session.EndedAt), doc.SessionRevision)
	p.line("Recorded    entry %d of log %s, proven in its head of %d entries", r.Entry.Number, r.Origin, r.Size)
	p.line("Keys        result %s, log %s", r.KeyID, strings.Join(r.LogKeyIDs, " "))
	if doc.Supersedes != "" {
		p.line("Replaces    result %s, because: %s", doc.Supersedes, doc.SupersedeReason)
	}
	p.line("            Whether a later result has replaced this one cannot be told from this file; ask the feed.")
}

func (p *printer) capacities(f record.Finding) {
	p.line("")
	p.line("Measured")
	p.line("  %-6s %-22s %-11s %-20s %-20s %-15s %s", "series", "zone", "pace", "capacity", "next load", "ended by", "trials")
	for _, c := range f.Capacities {
		p.line("  %-6d %-22s %-11s %-20s %-20s %-15s %d of %d accepted", c.SeriesNumber, Plain(c.Zone), c.Pace,
			orNone(c.Load), orNone(c.BracketTo), Plain(c.EndReason), c.AcceptedTrials, c.TotalTrials)
	}
	for _, r := range f.Remarks {
		p.line("  Note: %s", r.Text)
	}
	if !f.Complete {
		p.line("  Note: the session is not complete.")
	}
}

func orNone(m *mass.Mass) string {
	if m == nil {
		return "none"
	}
	return BothUnits(*m)
}

func (p *printer) strength(f record.Finding) {
	p.line("")
	p.line("Strength level (US Dictionary of Occupational Titles, Appendix C)")
	for _, z := range f.Zones {
		p.line("  %-22s %s", Plain(z.Zone), levelText(z))
	}
	if f.Overall != nil {
		p.line("  %-22s %s", "overall", levelText(*f.Overall))
	}
}

// levelText says a level with what limits it.
func levelText(z record.ZoneStrength) string {
	text := Plain(z.Level)
	if z.Within != record.NoLevel && z.WithinUpTo != nil {
		text += fmt.Sprintf(", works within %s up to %s", Plain(z.Within), BothUnits(*z.WithinUpTo))
	}
	if z.LimitingSeries != 0 {
		text += fmt.Sprintf(", limited by series %d", z.LimitingSeries)
	}
	return text + " (" + Plain(z.Basis) + ")"
}

func (p *printer) job(doc record.ResultDocument) {
	j := doc.Finding.Job
	if j == nil {
		return
	}
	p.line("")
	p.line("Job: %s (demands %s)", j.Title, Plain(j.Demand))
	for _, t := range j.Tasks {
		held := orNone(t.Capacity)
		if t.Basis == record.Projected {
			held += ", projected"
		}
		p.line("  %s: %s, %s, needs %s, capacity %s: %s", t.Task, Plain(t.Zone), t.Pace, BothUnits(t.Demand), held,
			verdictText(t.Verdict, t.ShortBy, t.MeasurementError))
	}
	p.further(j)
	for _, m := range j.Missing {
		p.line("  Missing: %s", m)
	}
	p.line("  Recommended by the engine: %s", Plain(j.Outcome))
	p.line("  Decided by the reviewer:   %s", Plain(doc.Decision))
	if doc.Comment != "" {
		p.line("  Comment: %s", doc.Comment)
	}
	p.restsOn(j.RestsOn)
}

func (p *printer) corrections(doc record.ResultDocument) {
	if len(doc.Corrections) == 0 {
		return
	}
	p.line("")
	p.line("Corrected before signing")
	for _, c := range doc.Corrections {
		p.line("  %s by %s on %s: %s", Corrected(c), c.By, Moment(c.At), cmp.Or(c.Reason, "(why was not released)"))
	}
}

func (p *printer) cautions(doc record.ResultDocument) {
	p.line("")
	p.line("Cautions")
	for _, c := range doc.Cautions {
		p.line("  - %s", c)
	}
}

// Moment shows a time to people.
func Moment(t record.Time) string { return t.Std().In(time.UTC).Format(Minute) }
