package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"

	"ponderal.example/internal/auditcheck"
	"ponderal.example/internal/demo"
	"ponderal.example/internal/store"
)

func auditCommand() command {
	return command{
		name:      "audit",
		arguments: "check",
		about:     "Check that everything stored is what the audit logs recorded; export a log.",
		detail: `Rebuilds each clinic's log from what is stored and names every row that is not what the log recorded: altered, put in
or taken out behind the service's back. It only reads. A log that was cut short as a whole is found only with a
checkpoint that was kept elsewhere: keep some (GET /v1/audit/checkpoint) and give them with -known. Every head that a
witness cosigned is compared too; -witnesses says whose word counts. Reads the same settings as ` + "`ponderal" + `
serve` + "`" + `. Exit status 0 when all is as it was recorded, 1 when not.

` + "`ponderal audit export -h`" + ` explains the other half: it writes the entries of a log into a file.`,
		examples: []string{"ponderal audit check", "ponderal audit check -known march.txt -known april.txt", "ponderal audit check -clinic CLINIC_ID -json"},
		run:      runAudit,
	}
}

// auditExport runs the half of the command that has flags of its own.
func auditExport(ctx context.Context, w world, args []string) error {
	c := auditExportCommand()
	f := newFlags(c)
	f.SetOutput(io.Discard)
	err := c.run(ctx, w, f.from(args))
	if errors.Is(err, flag.ErrHelp) {
		f.help(w.stdout)
		return nil
	}
	return err
}

// texts is a flag that may be given several times.
type texts []string

func (t *texts) String() string { return strings.Join(*t, ",") }

// Set adds one value.
func (t *texts) Set(v string) error {
	*t = append(*t, v)
	return nil
}

func runAudit(ctx context.Context, w world, f *flags) error {
	if len(f.args) > 0 && f.args[0] == "export" {
		return auditExport(ctx, w, f.args[1:])
	}
	var clinics, known texts
	f.Var(&clinics, "clinic", "check only the clinic with this `ID` (may be repeated)")
	f.Var(&known, "checkpoint", "`FILE` that was kept elsewhere, with a signed checkpoint or with signed results (may be repeated)")
	f.Var(&known, "known", "the same as -checkpoint `FILE`")
	witnessFile := f.String("witnesses", "", "`FILE` with the verifier keys of the witnesses that are believed, one a line")
	statePath := f.String("state", "", "keep in this `FILE` how far the check is, and go on from there after an interruption")
	asJSON := f.Bool("json", false, "write the report as JSON")
	path := f.String("config", "", "JSON `FILE` with settings")
	if len(f.args) > 0 && f.args[0] == "check" {
		// The word comes before the flags, as people write it.
		f.args = append(append([]string{}, f.args[1:]...), "check")
	}
	if err := f.read(1, 1); err != nil {
		return err
	}
	if f.Arg(0) != "check" {
		return usagef("there is no %q%s", f.Arg(0), nearest(f.Arg(0), []string{"check", "export"}))
	}
	witnesses, err := readWitnessKeys(*witnessFile)
	if err != nil {
		return err
	}
	o := auditcheck.Options{Clinics: clinics, Witnesses: witnesses}
	for _, name := range known {
		notes, err := readCheckpoints(name)
		if err != nil {
			return fmt.Errorf("read checkpoint: %w", err)
		}
		o.Known = append(o.Known, notes...)
	}
	report, err := auditConfigured(ctx, w, *path, *statePath, o)
	if err != nil {
		return err
	}
	if err := writeAudit(w, report, *asJSON); err != nil {
		return err
	}
	if !report.OK() {
		return errFound
	}
	return nil
}

// auditConfigured checks the database that the settings name.
func auditConfigured(ctx context.Context, w world, configPath, statePath string, o auditcheck.Options) (auditcheck.Report, error) {
	c, err := readConfig(w, configPath)
	if err != nil {
		return auditcheck.Report{}, err
	}
	keys, err := readKeys(c.KeysFolder)
	if err != nil {
		return auditcheck.Report{}, err
	}
	st, err := store.Open(ctx, store.Options{URL: c.DatabaseURL.Reveal(), MaxConns: int32(c.DatabaseMaxConns)})
	if err != nil {
		return auditcheck.Report{}, err
	}
	defer st.Close()
	o.Store, o.Ring, o.LogName, o.Progress = st, keys.ring, c.LogName, auditProgress(w)
	return auditWithState(ctx, w, statePath, o)
}

// auditProgress says how far it is and how fast, about once a second.
func auditProgress(w world) func(auditcheck.Progress) {
	began := w.now()
	said := began
	var before, here int64 // entries of the logs before, and of this one
	clinic := ""
	return func(p auditcheck.Progress) {
		if p.Clinic != clinic {
			before, clinic = before+here, p.Clinic
		}
		here = p.Entries
		now := w.now()
		if now.Sub(said).Seconds() < 1 {
			return
		}
		said = now
		rate := float64(before+here) / now.Sub(began).Seconds()
		fmt.Fprintf(w.stderr, "log %d/%d: %d/%d entries, %.0f entries/s\n", p.Log, p.Logs, p.Entries, p.Total, rate)
	}
}

// auditJSON is the report as -json writes it.
type auditJSON struct {
	OK          bool           `json:"ok"`
	Logs        int64          `json:"logs"`
	Entries     int64          `json:"entries"`
	Records     int64          `json:"records"`
	Checkpoints int64          `json:"checkpoints"`
	Problems    []auditProblem `json:"problems"`
	Omitted     int            `json:"omitted,omitempty"`
	// Before are the entries that an earlier run had checked, with -state.
	Before int64 `json:"entries_before,omitempty"`
	// Witnesses cosigned heads that are those of the logs; verified says that the key was given with -witnesses.
	Witnesses []auditWitness `json:"witnesses,omitempty"`
}

type auditWitness struct {
	Name     string `json:"name"`
	Key      string `json:"key"`
	Verified bool   `json:"verified"`
	Heads    int64  `json:"heads"`
}

type auditProblem struct {
	Clinic string `json:"clinic"`
	Table  string `json:"table"`
	Key    string `json:"key"`
	Entry  *int64 `json:"entry,omitempty"`
	What   string `json:"what"`
}

func writeAudit(w world, r auditcheck.Report, asJSON bool) error {
	if !asJSON {
		return r.WriteText(w.stdout)
	}
	out := auditJSON{OK: r.OK(), Logs: r.Logs, Entries: r.Entries, Records: r.Records, Checkpoints: r.Checkpoints, Problems: []auditProblem{}, Omitted: r.Omitted, Before: r.Before}
	for _, x := range r.Witnesses {
		out.Witnesses = append(out.Witnesses, auditWitness{x.Name, x.Key, x.Believed, x.Heads})
	}
	for _, p := range r.Problems {
		one := auditProblem{Clinic: p.Clinic, Table: p.Table, Key: p.Key, What: p.What}
		if p.Entry != auditcheck.NoEntry {
			one.Entry = &p.Entry
		}
		out.Problems = append(out.Problems, one)
	}
	return json.NewEncoder(w.stdout).Encode(out)
}

// auditForDemo checks the demonstration's database in this process.
func auditForDemo(ctx context.Context, p *private) (demo.AuditReport, error) {
	r, err := auditcheck.Run(ctx, auditcheck.Options{Store: p.store, Ring: p.keys.ring, LogName: demoLogName})
	if err != nil {
		return demo.AuditReport{}, err
	}
	out := demo.AuditReport{Entries: r.Entries, Records: r.Records}
	for _, problem := range r.Problems {
		out.Problems = append(out.Problems, demo.AuditProblem{ClinicID: problem.Clinic, Table: problem.Table, Key: problem.Key, Entry: problem.Entry, Says: problem.String()})
	}
	return out, nil
}
