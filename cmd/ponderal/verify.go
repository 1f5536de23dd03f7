package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"ponderal.example/internal/bundle"
	"ponderal.example/internal/seal"
)

// maxFile is the largest file that is read: a page of a feed with large sessions is some tens of MiB.
const maxFile = 256 << 20

func verifyCommand() command {
	return command{
		name:      "verify",
		arguments: "FILE",
		about:     "Verify a signed result, or a page of a payer's feed, without any network.",
		detail: `Checks the signature, the place in the clinic's audit log, and runs the engine again on the enclosed trials: the
same finding, or it fails. A result that was released without its raw trials holds their digest: it verifies by
signature and log, says so, and the engine is not run; that is no failure. FILE is what the service hands out (a bundle,
an answer of GetResult or of ListFeed); "-" reads standard input. What an answer says around the bundle is not signed;
where it contradicts what is, that fails too.
The key file is the key set that the service publishes at /.well-known/jwks.json; get it by a way that you trust and keep
it, and get it again when a key has changed or is said to be compromised: what your copy does not say is not counted. A
result by a retired key verifies for ever; one by a compromised key only where the log shows that it is older.

With -older and -newer it holds any two heads of one log against each other instead: what you kept of that log at two
times (checkpoints, or signed results, which hold one each). Where their sizes differ it takes the service's proof, and
says how to get it. The log must only have grown. With -witnesses it names the witnesses that cosigned a head.

Exit status 0 when everything verifies, 1 when not.`,
		examples: []string{"ponderal verify -keys keys.json result.json", "ponderal verify -keys keys.json -json - < feed.json",
			"ponderal verify -keys keys.json -older march.txt -newer result.json -proof proof.json -witnesses witnesses.txt"},
		run: runVerify,
	}
}

func runVerify(_ context.Context, w world, f *flags) error {
	keys := f.String("keys", "", "`FILE` with the published key set (required)")
	logName := f.String("log", "", "believe only audit logs of this `NAME` (the first part of their origin)")
	asJSON := f.Bool("json", false, "write the report as JSON")
	witnessFile := f.String("witnesses", "", "`FILE` with the verifier keys of the witnesses that are believed, one a line")
	held := headFlags(f)
	if err := f.read(0, 1); err != nil {
		return err
	}
	switch {
	case held.given() && f.NArg() == 1:
		return usagef("%q does not go with -older and -newer", f.Arg(0))
	case !held.given() && f.NArg() == 0:
		return usagef("got 0 arguments, want FILE, or -older FILE and -newer FILE")
	}
	if *keys == "" {
		return usagef("-keys FILE is required: the published key set, kept from an earlier day")
	}
	ring, err := readRing(*keys)
	if err != nil {
		return err
	}
	witnesses, err := readWitnessKeys(*witnessFile)
	if err != nil {
		return err
	}
	if held.given() {
		return verifyHeads(w, ring, witnesses, *held, *logName, *asJSON)
	}
	doc, err := readInput(w, f.Arg(0))
	if err != nil {
		return err
	}
	items, err := split(doc)
	if err != nil {
		return fmt.Errorf("%s: %w", f.Arg(0), err)
	}
	return verifyAll(w, ring, witnesses, items, *logName, *asJSON)
}

func readRing(path string) (seal.Ring, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return seal.Ring{}, fmt.Errorf("read key set: %w", err)
	}
	ring, err := seal.ParseJWKS(text)
	if err != nil {
		return seal.Ring{}, fmt.Errorf("read key set %s: %w", path, err)
	}
	return ring, nil
}

// readInput reads a file, or standard input for "-".
func readInput(w world, name string) ([]byte, error) {
	in := w.stdin
	if name != "-" {
		file, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		defer file.Close()
		in = file
	}
	doc, err := io.ReadAll(io.LimitReader(in, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", name, err)
	}
	if len(doc) > maxFile {
		return nil, fmt.Errorf("read %s: larger than %d MiB", name, maxFile>>20)
	}
	return doc, nil
}

// split gives the documents to verify: the items of a feed page that hold a result, otherwise the document itself.
func split(doc []byte) ([][]byte, error) {
	var page struct {
		Items []json.RawMessage `json:"items"`
	}
	if err := json.Unmarshal(doc, &page); err != nil {
		return nil, errors.New("not a JSON object")
	}
	if page.Items == nil {
		return [][]byte{doc}, nil
	}
	var all [][]byte
	for _, item := range page.Items {
		var state struct {
			Withheld bool `json:"withheld"`
		}
		if err := json.Unmarshal(item, &state); err != nil {
			return nil, errors.New("an item of the feed is not an object")
		}
		if !state.Withheld {
			all = append(all, bytes.Clone(item))
		}
	}
	if len(all) == 0 {
		return nil, errors.New("the feed page holds no result to verify")
	}
	return all, nil
}

func verifyAll(w world, ring seal.Ring, witnesses []seal.Witness, items [][]byte, logName string, asJSON bool) error {
	failed, bare := 0, 0
	for i, item := range items {
		report, err := verifyOne(ring, item, logName)
		var head bundle.Head
		if err == nil {
			head, err = headOf(ring, witnesses, item)
		}
		switch {
		case err != nil:
			failed++
		case !report.Rerun:
			bare++
		}
		if err := writeReport(w, report, head, err, asJSON, i > 0); err != nil {
			return err
		}
	}
	if len(items) > 1 && !asJSON {
		text := fmt.Sprintf("\n%d of %d results verified", len(items)-failed, len(items))
		if bare > 0 {
			text += fmt.Sprintf(", %d of them without their raw trials", bare)
		}
		fmt.Fprintln(w.stdout, text+".")
	}
	if failed > 0 {
		return errFound
	}
	return nil
}

func verifyOne(ring seal.Ring, doc []byte, logName string) (bundle.Report, error) {
	b, err := bundle.Decode(doc)
	if err != nil {
		return bundle.Report{}, err
	}
	report, err := bundle.Verify(ring, b, logName)
	if err != nil {
		return report, err
	}
	return report, report.Around(doc)
}

// verdict is one report as -json writes it, one a line.
type verdict struct {
	Verified bool   `json:"verified"`
	Why      string `json:"why,omitempty"`
	Result   string `json:"result,omitempty"`
	Session  string `json:"session,omitempty"`
	Clinic   string `json:"clinic,omitempty"`
	KeyID    string `json:"key_id,omitempty"`
	Log      string `json:"log,omitempty"`
	LogSize  int64  `json:"log_size,omitempty"`
	Entry    *int64 `json:"entry,omitempty"`
	// EngineRunAgain: the finding was computed anew from the raw trials. False where they were not released with the result, which is then verified by
	// its signature and its place in the log alone; RawTrialsDigest is what it commits to them by.
	EngineRunAgain  *bool         `json:"engine_run_again,omitempty"`
	RawTrialsDigest string        `json:"raw_trials_digest,omitempty"`
	Steps           []verdictStep `json:"steps,omitempty"`
	// Witnesses cosigned the head of the log, verified; Unverified are the names on further signatures.
	Witnesses  []cosignatureJSON `json:"witnesses,omitempty"`
	Unverified []string          `json:"unverified_signatures,omitempty"`
}

type verdictStep struct {
	Name  string `json:"name"`
	State string `json:"state"`
	Why   string `json:"why,omitempty"`
	// Remark is what the reader should know although the step is ok.
	Remark string `json:"remark,omitempty"`
}

func writeReport(w world, r bundle.Report, head bundle.Head, err error, asJSON, further bool) error {
	if !asJSON {
		if further {
			fmt.Fprintln(w.stdout)
		}
		if errors.Is(err, bundle.ErrBundle) || errors.Is(err, bundle.ErrHead) {
			_, werr := fmt.Fprintf(w.stdout, "NOT VERIFIED: do not rely on this result.\n\n  %v\n", err)
			return werr
		}
		return errors.Join(r.WriteText(w.stdout), writeWitnesses(w, head))
	}
	v := verdict{Verified: err == nil}
	if err != nil {
		v.Why = err.Error()
	}
	for _, s := range r.Steps {
		v.Steps = append(v.Steps, verdictStep{Name: s.Name, State: string(s.State), Why: s.Why, Remark: s.Remark})
	}
	// What the document says is to be believed only once it is verified.
	if err == nil {
		signed := headAsJSON(head)
		v.Witnesses, v.Unverified = signed.Witnesses, signed.Unverified
	}
	if r.OK {
		v.Result, v.Session, v.Clinic, v.KeyID = r.Document.ID, r.Document.Session.ID, r.Document.Clinic.ID, r.KeyID
		v.Log, v.LogSize, v.Entry = r.Origin, r.Size, &r.Entry.Number
		v.EngineRunAgain, v.RawTrialsDigest = &r.Rerun, r.Document.EnclosedDigest
	}
	return json.NewEncoder(w.stdout).Encode(v)
}
