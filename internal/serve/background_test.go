package serve

import (
	"context"
	"net/http"
	"testing"
	"time"
)

// TestWorkersRunBetweenStartAndStop: they start with the listeners, are told to end once no call is in flight, and Stop waits for them.
func TestWorkersRunBetweenStartAndStop(t *testing.T) {
	g := newGate()
	began, told, ended := make(chan struct{}), make(chan struct{}), make(chan struct{})
	work := func(ctx context.Context) {
		close(began)
		<-ctx.Done()
		close(told)
		time.Sleep(50 * time.Millisecond)
		close(ended)
	}
	r := start(t, &cases{getClient: g.getClient}, func(o *Options) { o.Workers = []func(context.Context){work} })
	<-began
	answered := make(chan int, 1)
	go func() { answered <- r.rest(t, "GET", "/v1/clients/"+clientID, "").status }()
	<-g.entered
	stopped := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		stopped <- r.Stop(ctx)
	}()
	select {
	case <-told:
		t.Error("a worker was ended while a call was in flight")
	case <-time.After(100 * time.Millisecond):
	}
	close(g.release)
	if err := <-stopped; err != nil {
		t.Error(err)
	}
	if status := <-answered; status != http.StatusOK {
		t.Errorf("the call in flight: HTTP %d", status)
	}
	select {
	case <-ended:
	default:
		t.Error("stopped while a worker was at work")
	}
}
