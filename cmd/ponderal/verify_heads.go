package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/seal"
	"ponderal.example/internal/witness"
)

// heads are the flags by which two heads of a log are held against each other.
type heads struct {
	older, newer, proof string
}

func (h heads) given() bool { return h.older != "" || h.newer != "" || h.proof != "" }

// headFlags declares them.
func headFlags(f *flags) *heads {
	h := &heads{}
	f.StringVar(&h.older, "older", "", "`FILE` with the older of two heads of a log: a checkpoint, or a signed result, which holds one")
	f.StringVar(&h.newer, "newer", "", "`FILE` with the newer head")
	f.StringVar(&h.proof, "proof", "", "`FILE` with the service's proof between the two, where their sizes differ")
	return h
}

// verifyHeads holds the two heads against each other.
func verifyHeads(w world, ring seal.Ring, witnesses []seal.Witness, h heads, logName string, asJSON bool) error {
	if h.older == "" || h.newer == "" {
		return usagef("-older FILE and -newer FILE go together: two heads of one log")
	}
	older, err := openHead(w, ring, witnesses, logName, h.older)
	if err != nil {
		return err
	}
	newer, err := openHead(w, ring, witnesses, logName, h.newer)
	if err != nil {
		return err
	}
	var proof *bundle.HeadProof
	if h.proof != "" {
		if proof, err = readProof(w, h.proof); err != nil {
			return err
		}
	}
	report, err := bundle.CompareHeads(ring, older, newer, proof)
	if err != nil {
		return err
	}
	if err := writeHeads(w, report, asJSON); err != nil {
		return err
	}
	if !report.OK() {
		return errFound
	}
	return nil
}

// openHead reads and verifies the head that a file holds.
func openHead(w world, ring seal.Ring, witnesses []seal.Witness, logName, file string) (bundle.Head, error) {
	doc, err := readInput(w, file)
	if err != nil {
		return bundle.Head{}, err
	}
	note, err := noteIn(doc)
	if err != nil {
		return bundle.Head{}, fmt.Errorf("%s: %w", file, err)
	}
	head, err := bundle.OpenHead(ring, witnesses, logName, note)
	switch {
	case errors.Is(err, seal.ErrUnknownKey):
		return bundle.Head{}, fmt.Errorf("%s: %w (is the key set of this service, and newer than the head?)", file, err)
	case errors.Is(err, seal.ErrMalformed):
		return bundle.Head{}, fmt.Errorf("%s: %w (a file holds one checkpoint as the service hands it out, or one signed result)", file, err)
	case err != nil:
		return bundle.Head{}, fmt.Errorf("%s: %w", file, err)
	}
	return head, nil
}

// noteIn finds the checkpoint of a file: the file itself, the member that answers of the service have it in, or that of the one signed result in it.
func noteIn(doc []byte) (string, error) {
	if note := bareCheckpoint(doc); note != "" {
		return note, nil
	}
	items, err := split(doc)
	if err != nil {
		return "", err
	}
	if len(items) != 1 {
		return "", fmt.Errorf("it holds %d signed results with a checkpoint each: give a file with one", len(items))
	}
	b, err := bundle.Decode(items[0])
	if err != nil {
		return "", errors.New("it is neither a checkpoint nor an answer or a signed result that holds one")
	}
	return b.Checkpoint, nil
}

// bareCheckpoint is the checkpoint that a file is, or that an answer of the service has in a member; empty where the file is something else.
// Saving a text often adds empty lines at its end or takes the last one away, so that the end is set right.
func bareCheckpoint(doc []byte) string {
	if !bytes.HasPrefix(bytes.TrimSpace(doc), []byte("{")) {
		return strings.TrimRight(string(doc), "\r\n\t ") + "\n"
	}
	var answer struct {
		Checkpoint string `json:"checkpoint"`
	}
	if err := json.Unmarshal(doc, &answer); err != nil {
		return ""
	}
	return answer.Checkpoint
}

func readProof(w world, file string) (*bundle.HeadProof, error) {
	doc, err := readInput(w, file)
	if err != nil {
		return nil, err
	}
	proof, err := bundle.ParseHeadProof(doc)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; it is what the service answers to GET /v1/log/CLINIC_ID/consistency?oldSize=OLDER&newSize=NEWER", file, err)
	}
	return &proof, nil
}

// readWitnessKeys reads the keys of the witnesses that are believed; none where no file is named.
func readWitnessKeys(path string) ([]seal.Witness, error) {
	if path == "" {
		return nil, nil
	}
	text, err := readWitnesses(path)
	if err != nil {
		return nil, err
	}
	keys, err := witness.ParseKeys(text)
	if err != nil {
		return nil, fmt.Errorf("read witnesses from %s: %w", path, err)
	}
	return keys, nil
}

// headOf is the head that a verified result is proved by, with its witnesses.
func headOf(ring seal.Ring, witnesses []seal.Witness, doc []byte) (bundle.Head, error) {
	b, err := bundle.Decode(doc)
	if err != nil {
		return bundle.Head{}, err
	}
	return bundle.OpenHead(ring, witnesses, "", b.Checkpoint)
}

// writeWitnesses names the witnesses of a verified result's head; nothing where nobody else signed it.
func writeWitnesses(w world, h bundle.Head) error {
	var err error
	for _, c := range h.By {
		_, werr := fmt.Fprintf(w.stdout, "Cosigned by the witness %s at %s, verified.\n", c.Witness.Name(), c.At.Format(bundle.Minute))
		err = errors.Join(err, werr)
	}
	for _, name := range h.Others {
		_, werr := fmt.Fprintf(w.stdout, "A further signature names %s: not verified (-witnesses FILE names whom to believe).\n", name)
		err = errors.Join(err, werr)
	}
	return err
}

// headsJSON is the report as -json writes it.
type headsJSON struct {
	Verified bool           `json:"verified"`
	Verdict  bundle.Verdict `json:"verdict"`
	Why      string         `json:"why"`
	Log      string         `json:"log"`
	Older    headJSON       `json:"older"`
	Newer    headJSON       `json:"newer"`
	Third    *headJSON      `json:"third,omitempty"`
	// Request is what to ask the service for, where a proof is needed.
	Request string `json:"request,omitempty"`
}

type headJSON struct {
	Size      int64             `json:"size"`
	Root      string            `json:"root"`
	KeyIDs    []string          `json:"key_ids"`
	Witnesses []cosignatureJSON `json:"witnesses"`
	// Unverified are the names on further signatures.
	Unverified []string `json:"unverified"`
}

type cosignatureJSON struct {
	Name string    `json:"name"`
	At   time.Time `json:"at"`
}

func writeHeads(w world, r bundle.HeadsReport, asJSON bool) error {
	if !asJSON {
		return r.WriteText(w.stdout)
	}
	out := headsJSON{Verified: r.OK(), Verdict: r.Verdict, Why: r.Why, Log: r.Older.Origin, Older: headAsJSON(r.Older), Newer: headAsJSON(r.Newer)}
	if r.Third.Origin != "" {
		third := headAsJSON(r.Third)
		out.Third = &third
	}
	if r.Verdict == bundle.HeadsNeedProof || r.Verdict == bundle.HeadsNotProved {
		out.Request = r.Request()
	}
	e := json.NewEncoder(w.stdout)
	e.SetEscapeHTML(false)
	return e.Encode(out)
}

func headAsJSON(h bundle.Head) headJSON {
	out := headJSON{Size: h.Size, Root: fmt.Sprintf("%x", h.Root), KeyIDs: h.KeyIDs, Witnesses: []cosignatureJSON{}, Unverified: []string{}}
	for _, c := range h.By {
		out.Witnesses = append(out.Witnesses, cosignatureJSON{c.Witness.Name(), c.At})
	}
	out.Unverified = append(out.Unverified, h.Others...)
	return out
}
