package bundle

import (
	"fmt"
	"io"
	"strings"

	"ponderal.example/internal/seal"
)

// WriteText says what came of it to a person who may be tired: the verdict first, then the two heads, then what to do.
func (r HeadsReport) WriteText(w io.Writer) error {
	p := &printer{wrap: true}
	p.line("%s", headsTitle[r.Verdict])
	p.line("")
	p.line("  %s.", sentence(r.Why))
	p.line("")
	p.line("  log    %s", r.Older.Origin)
	p.head("older", r.Older)
	p.head("newer", r.Newer)
	if r.Third.Origin != "" {
		p.head("third", r.Third)
	}
	p.advice(r)
	p.marks(r)
	_, err := io.WriteString(w, p.b.String())
	return err
}

var headsTitle = map[Verdict]string{
	HeadsSame:       "THE SAME: it is one and the same head.",
	HeadsConsistent: "CONSISTENT: the log has only grown between these two heads.",
	HeadsFork:       "FORK: this log was shown in two versions. Do not rely on it before this is explained.",
	HeadsNotProved:  "NOT PROVED: nothing shows that the newer head belongs to the log of the older one.",
	HeadsNeedProof:  "NOT DECIDED YET: a proof between these two heads is needed.",
	HeadsReversed:   "REVERSED: the older head is the larger one.",
}

// sentence begins with a capital.
func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func (p *printer) head(name string, h Head) {
	p.line("  %s  %d entries, root %x", name, h.Size, h.Root)
	for _, c := range h.By {
		p.line("         cosigned by %s at %s, verified", c.Witness.Name(), c.At.Format(Minute))
	}
	for _, other := range h.Others {
		p.line("         a further signature names %s: not verified", other)
	}
}

// advice says what to do. A fork is proof against whoever holds the log's key, and it is worth what the files are worth.
func (p *printer) advice(r HeadsReport) {
	lines := map[Verdict][]string{
		HeadsFork: {
			"What it means: two heads of one size, both signed with the log's key, cannot both be of a log that only grows. Entries were changed, left out or " +
				"put in for somebody, or the key was misused.",
			"What to do: keep both files as they are, and copies elsewhere; together they prove it to anybody who has the key set. Ask whoever runs the service " +
				"and, apart from it, the network's auditor and the witnesses of the log which of the two heads they hold.",
		},
		HeadsNotProved: {
			"What it means: the proof may be of another log or have been damaged on its way; or entries that the older head covers were changed or taken out.",
			"What to do: fetch the proof again (below). If it fails again, keep the files as they are and ask whoever runs the service, the network's auditor " +
				"and the witnesses of the log.",
		},
		HeadsReversed: {
			"What it means: either the two files were exchanged, or you were shown a shorter log later than a longer one.",
			"What to do: exchange the two files. If the smaller head really is the one that you got later, keep both and ask whoever runs the service why: a log is " +
				"never cut.",
		},
		HeadsNeedProof: {"What to do: fetch the proof (below) and run this again with it."},
	}[r.Verdict]
	for _, line := range lines {
		p.line("")
		p.line("%s", line)
	}
	if r.Verdict == HeadsNeedProof || r.Verdict == HeadsNotProved {
		p.line("")
		// Commands are not broken into lines.
		p.b.WriteString(clean("  "+r.Request()) + "\n")
		p.b.WriteString(clean("  curl -H \"Authorization: Bearer $TOKEN\" \"https://SERVICE"+r.path()+"\" > proof.json") + "\n")
		p.b.WriteString("  ponderal verify -keys KEYS -older OLDER -newer NEWER -proof proof.json\n")
	}
}

// Request is the REST request that answers with the proof between the two heads.
func (r HeadsReport) Request() string { return "GET " + r.path() }

func (r HeadsReport) path() string {
	_, clinic, _ := strings.Cut(r.Older.Origin, "/")
	return fmt.Sprintf("/v1/log/%s/consistency?oldSize=%d&newSize=%d", clinic, r.Older.Size, r.Newer.Size)
}

// marks says what the key set says against the keys.
func (p *printer) marks(r HeadsReport) {
	said := map[string]bool{}
	for _, h := range []Head{r.Older, r.Newer, r.Third} {
		for _, k := range h.Keys {
			if said[k.ID] || k.CompromisedFrom.IsZero() {
				continue
			}
			said[k.ID] = true
			p.line("")
			p.line("Caution: the log's key %s is marked compromised from %s. A head says no time of its own: from then on whoever holds that key can sign any. What a "+
				"witness cosigned before is beyond it.", k.ID, seal.FormatMoment(k.CompromisedFrom))
		}
	}
}
