package client

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	ponderalv1 "ponderal.example/api/ponderal/v1"
)

// Handler takes changes in the order of the clinic's log, and the cursor after them, which it keeps together with what it made of them: given again, the
// changes go on after it, each once. Changes may be empty. An error ends the call that handed them over.
type Handler func(changes []*ponderalv1.Change, cursor string) error

// Pull hands over every change after the cursor that there is now. An empty cursor stands for the beginning.
func (c *Client) Pull(ctx context.Context, cursor string, handle Handler) error {
	for {
		var got *ponderalv1.PullChangesResponse
		err := c.again(ctx, func(ctx context.Context) (err error) {
			got, err = c.sync.PullChanges(ctx, &ponderalv1.PullChangesRequest{Cursor: cursor})
			return err
		})
		if err != nil {
			return fmt.Errorf("client: pull: %w", err)
		}
		if err := handle(got.GetChanges(), got.GetNextCursor()); err != nil {
			return err
		}
		if cursor = got.GetNextCursor(); !got.GetMore() {
			return nil
		}
	}
}

// handled marks an error of the caller's handler.
type handled struct{ error }

// Watch hands over every change after the cursor and goes on with those that are written from then on, until ctx ends, the handler fails, or the service
// refuses for good. A stream that breaks is opened again with the last cursor.
func (c *Client) Watch(ctx context.Context, cursor string, handle Handler) error {
	pause := c.o.FirstPause
	for {
		before := cursor
		err := c.watchOnce(ctx, &cursor, handle)
		var own handled
		switch {
		case errors.As(err, &own):
			return own.error
		case ctx.Err() != nil:
			return ctx.Err()
		case !reopen(err):
			return fmt.Errorf("client: watch: %w", err)
		}
		if cursor != before {
			pause = c.o.FirstPause
		}
		if !sleep(ctx, max(pause, advised(err))) {
			return ctx.Err()
		}
		pause = min(2*pause, c.o.LongestPause)
	}
}

// reopen reports whether a stream that ended so may be opened again.
func reopen(err error) bool {
	return errors.Is(err, io.EOF) || mayRepeat(err) || status.Code(err) == codes.Canceled || status.Code(err) == codes.Internal
}

func (c *Client) watchOnce(ctx context.Context, cursor *string, handle Handler) error {
	stream, err := c.sync.WatchChanges(c.Outgoing(ctx), &ponderalv1.WatchChangesRequest{Cursor: *cursor}, grpc.WaitForReady(false))
	if err != nil {
		return err
	}
	for {
		got, err := stream.Recv()
		if err != nil {
			return err
		}
		if err := handle(got.GetChanges(), got.GetNextCursor()); err != nil {
			return handled{err}
		}
		*cursor = got.GetNextCursor()
	}
}
