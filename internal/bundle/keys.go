package bundle

import (
	"fmt"
	"strings"

	"ponderal.example/internal/seal"
)

// keys judges what the marks on the keys leave of the proof. A retired key's signatures stay valid. Whoever holds a compromised key signs
// what they like under any date, so its signature shows nothing of its own age:
//
//   - a result by a compromised result key is believed where it is dated and recorded before the mark's moment and the head of the log is
//     signed by a log key without a mark: the log, not the key, shows that it is older;
//   - a head by a compromised log key is not believed for an entry at or after the mark's moment; before it, the entry rests on what was
//     seen of the log by others.
//
// At the moment itself is not before it.
func (c *checker) keys() error {
	key, err := c.ring.Find(c.report.KeyID, seal.UseResult)
	if err != nil {
		return err
	}
	log, err := c.bestLogKey()
	if err != nil {
		return err
	}
	if log.CompromisedAt(c.report.Entry.At.Std()) {
		return fmt.Errorf("%s, and the entry is dated %s: whoever holds that key can have written it", marked(log), c.report.Entry.At)
	}
	if key.CompromisedFrom.IsZero() {
		c.remark = c.onLogKey(log)
		return nil
	}
	return c.compromised(key, log)
}

// compromised judges a result by a marked result key. The entry is older than the mark of the log key, where it has one.
func (c *checker) compromised(key, log seal.PublicKey) error {
	signed, recorded := c.report.Document.Signature.At, c.report.Entry.At
	switch {
	case key.CompromisedAt(signed.Std()) || key.CompromisedAt(recorded.Std()):
		return fmt.Errorf("%s, and the result is dated %s and recorded %s: whoever holds that key can have signed it; ask for a result signed with another key",
			marked(key), signed, recorded)
	case !log.CompromisedFrom.IsZero():
		return fmt.Errorf("%s; that the result is older only the log could show, and %s too", marked(key), marked(log))
	}
	c.remark = fmt.Sprintf("%s. The result is dated %s and recorded %s, before that. The log shows that it is older, not the key: the head is signed by log key %s, which has no mark.",
		marked(key), signed, recorded, log.ID)
	return nil
}

// onLogKey says what an entry rests on that is older than the mark of the log key; nothing where there is no mark.
func (c *checker) onLogKey(log seal.PublicKey) string {
	if log.CompromisedFrom.IsZero() {
		return ""
	}
	return fmt.Sprintf("%s. The result is signed by result key %s, which has no mark. The entry is dated %s, before that moment, but whoever holds the log key writes "+
		"the date. That it stood in the log then rests on a head of this log, of more than %d entries, that a witness cosigned before that moment or that was kept "+
		"from before it: hold such a one against this file (ponderal verify -older, -newer).", marked(log), c.report.KeyID, c.report.Entry.At, c.report.Entry.Number)
}

// bestLogKey is the one whose word counts of the log keys that signed the head: one without a mark, otherwise the one marked last.
func (c *checker) bestLogKey() (seal.PublicKey, error) {
	var best seal.PublicKey
	for i, id := range c.report.LogKeyIDs {
		k, err := c.ring.Find(id, seal.UseLog)
		if err != nil {
			return seal.PublicKey{}, err
		}
		if k.CompromisedFrom.IsZero() {
			return k, nil
		}
		if i == 0 || k.CompromisedFrom.After(best.CompromisedFrom) {
			best = k
		}
	}
	if best.ID == "" {
		return best, fmt.Errorf("the head is signed by no log key: %w", seal.ErrUnknownKey)
	}
	return best, nil
}

// marked names a compromised key and its moment.
func marked(k seal.PublicKey) string {
	return strings.Join([]string{string(k.Use), "key", k.ID, "is marked compromised from", seal.FormatMoment(k.CompromisedFrom)}, " ")
}
