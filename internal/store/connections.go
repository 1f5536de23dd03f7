package store

// Connections is the state of the pool: how many connections it may open, has open, has open and free, has at work.
type Connections struct{ Max, Total, Idle, InUse int }

// Connections reads the pool's counters; it asks the database nothing.
func (s *Store) Connections() Connections {
	stat := s.pool.Stat()
	return Connections{Max: int(stat.MaxConns()), Total: int(stat.TotalConns()), Idle: int(stat.IdleConns()), InUse: int(stat.AcquiredConns())}
}
