package casework

import "context"

// Attempts bounds how often somebody may try to sign in, across all replicas. The key names what is tried to get into, such as a clinic and a
// login; whether there is such a login makes no difference. From which address it is tried is known from the context (limit.WithAddress).
//
// An attempt counts as failed from the moment that it is allowed, so that attempts made at once do not escape the count and one that breaks off
// in the middle is not forgotten. Exactly one of Failed and Succeeded follows each attempt whose outcome is known. Safe for concurrent use.
type Attempts interface {
	// Allow lets one attempt begin, or returns an Overloaded fault RATE_LIMITED with the time to wait. Where the store cannot be asked it refuses:
	// the error is then the store's.
	Allow(ctx context.Context, key string) error
	// Failed says that the attempt failed. locked is true for the one attempt of a lockout that brought it about; the caller then records that
	// in the audit log, with the identity as subject where there is one (action sign_in.lock). On an error the caller answers with that error and
	// not with what was wrong.
	Failed(ctx context.Context, key string) (locked bool, err error)
	// Succeeded says that the attempt succeeded: what failed before it with this key is forgotten. On an error the caller answers with that.
	Succeeded(ctx context.Context, key string) error
}
