package serve

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Stop lets requests in flight finish until ctx ends and cuts the rest; new ones are refused from the start. The error says what had
// to be cut. When it returns nil, no call is running.
func (s *Server) Stop(ctx context.Context) error {
	s.stopping.Store(true)
	s.stopPolling()
	s.grpc.Drain()
	err := errors.Join(drainHTTP(ctx, "REST", s.rest), s.gateway.Close())
	hung, drainErr := s.drainGRPC(ctx)
	s.stopWorkers()
	err = errors.Join(err, drainErr, s.pipe.Close())
	if s.metrics != nil {
		err = errors.Join(err, drainHTTP(ctx, "metrics", s.metrics))
	}
	if !hung {
		s.running.Wait()
	}
	return err
}

// drainHTTP waits for requests in flight, then closes their connections.
func drainHTTP(ctx context.Context, what string, server *http.Server) error {
	if err := server.Shutdown(ctx); err != nil {
		return errors.Join(fmt.Errorf("drain %s: requests were cut: %w", what, err), server.Close())
	}
	return nil
}

// drainGRPC waits for calls in flight. At the deadline it cancels them and waits a little for their handlers to return, since until
// then they may still use the database; hung says that some have not.
func (s *Server) drainGRPC(ctx context.Context) (hung bool, err error) {
	drained := make(chan struct{})
	go func() {
		defer close(drained)
		s.grpc.GracefulStop()
	}()
	select {
	case <-drained:
		return false, nil
	case <-ctx.Done():
	}
	cut := make(chan struct{})
	go func() {
		defer close(cut)
		s.grpc.Stop()
	}()
	wait := time.NewTimer(cutWithin)
	defer wait.Stop()
	select {
	case <-cut:
		<-drained
		return false, fmt.Errorf("drain gRPC: calls were cut: %w", ctx.Err())
	case <-wait.C:
		return true, fmt.Errorf("drain gRPC: calls were cut and have not returned: %w", ctx.Err())
	}
}
