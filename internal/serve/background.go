package serve

import "context"

// startWorkers starts the work that no call asks for, once calls are served; stopWorkers ends it.
func (s *Server) startWorkers() {
	ctx, cancel := context.WithCancel(context.Background())
	s.endWorkers = cancel
	for _, work := range s.options.Workers {
		s.workers.Go(func() { work(ctx) })
	}
}

// stopWorkers returns when no worker runs any more: they use the database, which is closed after it.
func (s *Server) stopWorkers() {
	s.endWorkers()
	s.workers.Wait()
}
