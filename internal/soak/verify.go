package soak

import (
	"bytes"
	"context"
	"fmt"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// stored is what a clinic's changes say of one session.
type stored struct{ times, trials, findings int }

// followed is how far a clinic's changes were read.
type followed struct {
	cursor string
	has    map[string]*stored
}

// verify reads back what is stored, straight from the service: whole reads every session, else those acknowledged since the last time.
func (r *run) verify(ctx context.Context, whole bool) error {
	ctx, cancel := context.WithTimeout(ctx, 10*recoverLimit)
	defer cancel()
	conn, err := grpc.NewClient(r.service.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return fmt.Errorf("dial the service: %w", err)
	}
	defer conn.Close()
	if whole {
		r.crew.halt()
		r.follows = nil
	}
	r.problem(r.crew.wrong()...)
	for i, s := range r.sites {
		if err := r.follow(as(ctx, s.token), conn, i); err != nil {
			return err
		}
	}
	r.compare()
	if err := r.readBack(ctx, conn, whole); err != nil {
		return err
	}
	found, err := r.o.Check(ctx, whole)
	r.problem(found...)
	if err != nil {
		return fmt.Errorf("check the audit logs: %w", err)
	}
	return nil
}

func (r *run) problem(lines ...string) {
	r.report.Problems = append(r.report.Problems, lines...)
}

// follow pulls a clinic's changes from where it ended and counts what belongs to each session.
func (r *run) follow(ctx context.Context, conn *grpc.ClientConn, site int) error {
	for len(r.follows) <= site {
		r.follows = append(r.follows, followed{has: map[string]*stored{}})
	}
	f := &r.follows[site]
	for {
		got, err := ponderalv1.NewSyncServiceClient(conn).PullChanges(ctx, &ponderalv1.PullChangesRequest{Cursor: f.cursor, Size: 500})
		if err != nil {
			return fmt.Errorf("pull changes of clinic %d: %w", site+1, err)
		}
		for _, change := range got.GetChanges() {
			f.count(change)
		}
		f.cursor = got.GetNextCursor()
		if !got.GetMore() {
			return nil
		}
	}
}

// count counts one entry's records. A session stands with all that belongs to it in one entry.
func (f *followed) count(change *ponderalv1.Change) {
	var of *stored
	for _, rec := range change.GetRecords() {
		if rec.GetKind() == "session" {
			if of = f.has[rec.GetId()]; of == nil {
				of = &stored{}
				f.has[rec.GetId()] = of
			}
			of.times++
		}
	}
	if of == nil {
		return
	}
	for _, rec := range change.GetRecords() {
		switch rec.GetKind() {
		case "trial":
			of.trials++
		case "finding":
			of.findings++
		}
	}
}

// compare holds what is stored against what the stations know.
func (r *run) compare() {
	r.ledger.mu.Lock()
	defer r.ledger.mu.Unlock()
	r.report.Acknowledged, r.report.Unacknowledged, r.report.FoundThough = 0, 0, 0
	for _, p := range r.ledger.all {
		got := r.follows[p.site].has[p.id]
		if p.acked {
			r.report.Acknowledged++
		} else {
			r.report.Unacknowledged++
			if got != nil {
				r.report.FoundThough++
			}
		}
		switch {
		case p.acked && got == nil:
			r.problem(fmt.Sprintf("session %s was acknowledged and is not there", p.id))
		case got != nil && *got != (stored{times: 1, trials: p.trials, findings: 1}):
			r.problem(fmt.Sprintf("session %s is stored %d times with %d of %d trials and %d findings", p.id, got.times, got.trials, p.trials, got.findings))
		}
	}
	for i, f := range r.follows {
		for id := range f.has {
			if r.ledger.all[id] == nil {
				r.problem(fmt.Sprintf("session %s of clinic %d was never sent", id, i+1))
			}
		}
	}
}

// readBack reads sessions by their ids and compares them with what was sent: all that are stored, or those that were not read yet.
func (r *run) readBack(ctx context.Context, conn *grpc.ClientConn, whole bool) error {
	r.ledger.mu.Lock()
	var due []*pushed
	for _, p := range r.ledger.all {
		if r.follows[p.site].has[p.id] != nil && (whole || !p.read) {
			due = append(due, p)
		}
	}
	r.ledger.mu.Unlock()
	for _, p := range due {
		got, err := ponderalv1.NewSessionServiceClient(conn).GetSession(as(ctx, r.sites[p.site].token), &ponderalv1.GetSessionRequest{Id: p.id})
		if err != nil {
			return fmt.Errorf("read session %s: %w", p.id, err)
		}
		r.ledger.mu.Lock()
		p.read = true
		r.ledger.mu.Unlock()
		back := got.GetSession()
		// What the service adds.
		back.Revision, back.ClinicId = nil, ""
		if !bytes.Equal(content(back), p.content) {
			r.problem(fmt.Sprintf("session %s was read back with other content", p.id), differs(back, p.content))
		}
	}
	return nil
}

// differs shows both sides; they are invented people's.
func differs(back *ponderalv1.Session, sent []byte) string {
	was := &ponderalv1.Session{}
	if err := proto.Unmarshal(sent, was); err != nil {
		return "what was sent cannot be read"
	}
	return strings.Join([]string{"sent: ", was.String(), "; stored: ", back.String()}, "")
}
