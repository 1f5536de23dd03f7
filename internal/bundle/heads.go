package bundle

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"ponderal.example/internal/canon"
	"ponderal.example/internal/merkle"
	"ponderal.example/internal/seal"
)

// ErrHead: what is no signed head of a log, or none that can be held against another; ErrHeadProof: what is no proof between two heads. The texts
// that wrap them say why and quote nothing but names and sizes that a signature covers.
var (
	ErrHead      = errors.New("not a head of a log that can be compared")
	ErrHeadProof = errors.New("not a proof between two heads")
)

// Head is a signed head of a log that someone kept, verified.
type Head struct {
	seal.Checkpoint
	// Keys are the log keys that signed it, with their standing.
	Keys []seal.PublicKey
	// By are the witnesses that cosigned it, verified; Others the names on further signatures, which are nobody's word.
	By     []seal.Cosignature
	Others []string
}

// OpenHead verifies a signed note with a key set and the keys of witnesses, of which there may be none. With logName only logs of that name are
// believed. Errors are ErrHead with the reason, and those of seal.VerifyCheckpoint.
func OpenHead(ring seal.Ring, witnesses []seal.Witness, logName, note string) (Head, error) {
	origin, _, _ := strings.Cut(note, "\n")
	name, clinic, _ := strings.Cut(origin, "/")
	switch {
	case name == "" || clinic == "" || clean(origin) != origin:
		return Head{}, fmt.Errorf("%w: its first line is not the name of a log and a clinic", ErrHead)
	case logName != "" && name != logName:
		return Head{}, fmt.Errorf("%w: it is of a log of %q, and only %q is to be believed", ErrHead, name, logName)
	}
	c, err := seal.VerifyCheckpoint(ring, origin, note)
	if err != nil {
		return Head{}, fmt.Errorf("%w: %w", ErrHead, err)
	}
	for _, other := range c.Witnesses {
		if strings.HasPrefix(other, name+"/") && other != origin {
			return Head{}, fmt.Errorf("%w: it is signed as the head of two logs", ErrHead)
		}
	}
	h := Head{Checkpoint: c}
	if h.By, h.Others, err = seal.Cosigned(c, note, witnesses); err != nil {
		return Head{}, fmt.Errorf("%w: a signature with a witness's name and key id is not that witness's: %w", ErrHead, err)
	}
	for _, id := range c.KeyIDs {
		key, err := ring.Find(id, seal.UseLog)
		if err != nil {
			return Head{}, fmt.Errorf("%w: %w", ErrHead, err)
		}
		h.Keys = append(h.Keys, key)
	}
	return h, nil
}

// HeadProof is the service's answer to the question how two sizes of a log go together. Only what Checkpoint says is signed.
type HeadProof struct {
	OldSize, NewSize int64
	OldRoot, NewRoot [32]byte
	Path             [][32]byte
	Checkpoint       string
}

// headProofFile is a HeadProof as ponderal.v1.GetConsistencyProofResponse has it in JSON.
type headProofFile struct {
	OldSize, NewSize string
	OldRoot, NewRoot string
	Path             []string
	Checkpoint       string
}

// ParseHeadProof reads an answer of GetConsistencyProof as REST gives it, in any spacing. A member that it does not have is refused. The error is
// ErrHeadProof.
func ParseHeadProof(doc []byte) (HeadProof, error) {
	if _, err := canon.Transform(doc); err != nil {
		return HeadProof{}, fmt.Errorf("%w: not acceptable JSON", ErrHeadProof)
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(doc, &members); err != nil || members == nil {
		return HeadProof{}, fmt.Errorf("%w: not an object", ErrHeadProof)
	}
	var f headProofFile
	for name, into := range map[string]any{"oldSize": &f.OldSize, "newSize": &f.NewSize, "oldRoot": &f.OldRoot, "newRoot": &f.NewRoot, "path": &f.Path,
		"checkpoint": &f.Checkpoint} {
		if value, ok := members[name]; ok && json.Unmarshal(value, into) != nil {
			return HeadProof{}, fmt.Errorf("%w: member %s has a form that it cannot have", ErrHeadProof, name)
		}
		delete(members, name)
	}
	if len(members) > 0 {
		return HeadProof{}, fmt.Errorf("%w: a member that does not belong", ErrHeadProof)
	}
	return f.proof()
}

func (f headProofFile) proof() (HeadProof, error) {
	p := HeadProof{Checkpoint: f.Checkpoint}
	var err error
	for name, at := range map[string]struct {
		text string
		into *int64
	}{"oldSize": {f.OldSize, &p.OldSize}, "newSize": {f.NewSize, &p.NewSize}} {
		if *at.into, err = strconv.ParseInt(at.text, 10, 64); err != nil || *at.into < 1 || strconv.FormatInt(*at.into, 10) != at.text {
			return HeadProof{}, fmt.Errorf("%w: member %s is not a size as text", ErrHeadProof, name)
		}
	}
	for name, at := range map[string]struct {
		text string
		into *[32]byte
	}{"oldRoot": {f.OldRoot, &p.OldRoot}, "newRoot": {f.NewRoot, &p.NewRoot}} {
		if *at.into, err = hashOf(at.text); err != nil {
			return HeadProof{}, fmt.Errorf("%w: member %s is not a hash in base64url", ErrHeadProof, name)
		}
	}
	for _, text := range f.Path {
		h, err := hashOf(text)
		if err != nil {
			return HeadProof{}, fmt.Errorf("%w: member path is not a list of hashes in base64url", ErrHeadProof)
		}
		p.Path = append(p.Path, h)
	}
	return p, nil
}

func hashOf(text string) ([32]byte, error) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || len(raw) != merkle.HashSize || base64.RawURLEncoding.EncodeToString(raw) != text {
		return [32]byte{}, ErrHeadProof
	}
	return [32]byte(raw), nil
}

// Verdict says how two heads of a log go together.
type Verdict string

// The verdicts. Only the first two are good.
const (
	// HeadsSame: one and the same head.
	HeadsSame Verdict = "same"
	// HeadsConsistent: the newer log begins with the older one, and is otherwise only longer.
	HeadsConsistent Verdict = "consistent"
	// HeadsFork: two heads of one size, both signed, with other entries: the log was shown in two versions.
	HeadsFork Verdict = "fork"
	// HeadsNotProved: the proof does not show it.
	HeadsNotProved Verdict = "not_proved"
	// HeadsNeedProof: the sizes differ and there is no proof between these two.
	HeadsNeedProof Verdict = "proof_needed"
	// HeadsReversed: the older one is the larger.
	HeadsReversed Verdict = "reversed"
)

// HeadsReport is what came of holding two heads against each other.
type HeadsReport struct {
	Verdict      Verdict
	Older, Newer Head
	// Third is a signed head that came with the proof and shows a fork with Newer; zero otherwise.
	Third Head
	// Why says in one sentence what decided.
	Why string
}

// OK reports whether the two heads are of one log that only grew.
func (r HeadsReport) OK() bool { return r.Verdict == HeadsSame || r.Verdict == HeadsConsistent }

// CompareHeads holds two heads against each other. proof is nil where there is none; ring verifies the head that it carries. Heads of two logs are
// ErrHead.
func CompareHeads(ring seal.Ring, older, newer Head, proof *HeadProof) (HeadsReport, error) {
	r := HeadsReport{Older: older, Newer: newer}
	if older.Origin != newer.Origin {
		return r, fmt.Errorf("%w: they are heads of two logs, %s and %s; a head is held against one of its own log only", ErrHead, older.Origin, newer.Origin)
	}
	switch {
	case older.Size == newer.Size && older.Root == newer.Root:
		r.Verdict, r.Why = HeadsSame, "both have the same size and the same entries"
	case older.Size == newer.Size:
		r.Verdict, r.Why = HeadsFork, "both have the same size, both are signed, and their entries are not the same"
	case older.Size > newer.Size:
		r.Verdict, r.Why = HeadsReversed, "the older one has more entries than the newer one, and a log only grows"
	case proof == nil:
		r.Verdict, r.Why = HeadsNeedProof, "the sizes differ, and whether the newer log begins with the older one takes a proof"
	default:
		r.prove(ring, *proof)
	}
	return r, nil
}

// prove decides by a proof that came from the service.
func (r *HeadsReport) prove(ring seal.Ring, p HeadProof) {
	r.Verdict = HeadsNotProved
	if p.Checkpoint != "" {
		third, err := OpenHead(ring, nil, "", p.Checkpoint)
		if err == nil && third.Origin == r.Newer.Origin && r.forks(third) {
			return
		}
	}
	switch {
	case p.OldSize != r.Older.Size || p.NewSize != r.Newer.Size:
		r.Verdict = HeadsNeedProof
		r.Why = fmt.Sprintf("the proof is of the sizes %d and %d, and the heads have %d and %d", p.OldSize, p.NewSize, r.Older.Size, r.Newer.Size)
	case p.OldRoot != r.Older.Root:
		r.Why = "the log that the service proves has other entries up to the older head than those that the older head signed"
	case p.NewRoot != r.Newer.Root:
		r.Why = "the log that the service proves has other entries up to the newer head than those that the newer head signed"
	case merkle.VerifyConsistency(p.Path, r.Older.Size, r.Older.Root, r.Newer.Size, r.Newer.Root) != nil:
		r.Why = "the proof does not hold: it does not lead from the older head to the newer one"
	default:
		r.Verdict, r.Why = HeadsConsistent, "the proof holds: the newer log begins with the older one and is otherwise only longer"
	}
}

// forks reports, and records, that a signed head that came with the proof has the size of one that was kept and other entries.
func (r *HeadsReport) forks(third Head) bool {
	for _, kept := range []Head{r.Older, r.Newer} {
		if third.Size == kept.Size && third.Root != kept.Root {
			r.Verdict, r.Third = HeadsFork, third
			r.Why = fmt.Sprintf("the proof came with a signed head of size %d whose entries are not those of the head of that size that was kept", third.Size)
			return true
		}
	}
	return false
}
