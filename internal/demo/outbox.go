package demo

import (
	"context"
	"fmt"
	"os"

	"ponderal.example/api/client"
	ponderalv1 "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/demo/caller"
)

// pushByOutbox sends a clinic's sessions as its app does: from an outbox on disk, compressed and in batches, and learns of its findings by pulling the
// changes.
func (s *story) pushByOutbox(ctx context.Context, d *clinicDay) error {
	dir, err := os.MkdirTemp("", "ponderal-outbox-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	app, err := s.app(d, dir)
	if err != nil {
		return err
	}
	defer app.Close()
	for _, v := range d.Visits {
		if err := app.Put(v.Session); err != nil {
			return err
		}
	}
	sent, err := app.Flush(ctx)
	if err != nil {
		return err
	}
	if sent.Stored != len(d.Visits) || len(sent.Refused) != 0 {
		return fmt.Errorf("of %d sessions in the outbox %d were stored and %d refused", len(d.Visits), sent.Stored, len(sent.Refused))
	}
	seen := map[string]bool{}
	err = app.Pull(ctx, "", func(changes []*ponderalv1.Change, _ string) error {
		for _, c := range changes {
			for _, r := range c.GetRecords() {
				if r.GetKind() == "finding" {
					seen[r.GetId()] = true
				}
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, v := range d.Visits {
		if !seen[v.Session.Id] {
			return fmt.Errorf("session %s: its finding is not among the changes", v.Session.Id)
		}
		got, err := caller.Do[ponderalv1.GetFindingResponse](ctx, d.station, "FindingService/GetFinding", &ponderalv1.GetFindingRequest{SessionId: v.Session.Id})
		if err != nil {
			return err
		}
		if err := s.arrived(d, v, got.GetFinding()); err != nil {
			return err
		}
	}
	return nil
}

// app is the client of a clinic's app.
func (s *story) app(d *clinicDay, dir string) (*client.Client, error) {
	outbox, err := client.OpenFolder(dir)
	if err != nil {
		return nil, err
	}
	return client.Dial(client.Options{Address: s.o.GRPCAddress, Token: func() string { return d.stationToken }, Plaintext: true, App: "demo station", Outbox: outbox})
}
