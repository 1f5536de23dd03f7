package witness

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
)

// What became of offering a head to a witness, as the metrics have it.
const (
	outcomeCosigned       = "cosigned"
	outcomeUnknownLog     = "unknown_log"
	outcomeRefusedKey     = "refused_key"
	outcomeOtherLog       = "other_log"
	outcomeLogShorter     = "log_shorter"
	outcomeBadAnswer      = "bad_answer"
	outcomeBadCosignature = "bad_cosignature"
	outcomeUnreachable    = "unreachable"
	outcomeOwnError       = "own_error"
	// outcomeNothing is not counted: the witness was not asked.
	outcomeNothing = ""
)

func outcomes() []string {
	return []string{outcomeCosigned, outcomeUnknownLog, outcomeRefusedKey, outcomeOtherLog, outcomeLogShorter, outcomeBadAnswer, outcomeBadCosignature,
		outcomeUnreachable, outcomeOwnError}
}

// ownError is an error of the service itself and none of the witness's.
type ownError struct{ error }

func (e ownError) Unwrap() error { return e.error }

// aheadError says that a witness has cosigned a larger log than there is now.
type aheadError struct{ witness, log int64 }

func (e *aheadError) Error() string {
	return fmt.Sprintf("the witness has cosigned a log of %d entries, and there are %d now: the log was cut", e.witness, e.log)
}

// outcomeOf sorts an error; nil is a cosignature.
func outcomeOf(err error) string {
	var ahead *aheadError
	var own ownError
	switch {
	case err == nil:
		return outcomeCosigned
	case errors.Is(err, errNothingNew):
		return outcomeNothing
	case errors.As(err, &own):
		return outcomeOwnError
	case errors.As(err, &ahead):
		return outcomeLogShorter
	case errors.Is(err, ErrUnknownLog):
		return outcomeUnknownLog
	case errors.Is(err, ErrRefusedKey):
		return outcomeRefusedKey
	case errors.Is(err, ErrRefusedProof):
		return outcomeOtherLog
	case errors.Is(err, ErrCosignature):
		return outcomeBadCosignature
	case errors.Is(err, ErrAnswer):
		return outcomeBadAnswer
	}
	return outcomeUnreachable
}

// tell counts and logs an outcome. What a witness says of a log that was cut or rewritten is the alarm that it is there for.
func (w *Worker) tell(ctx context.Context, witness, clinic string, err error) {
	outcome := outcomeOf(err)
	if outcome == outcomeNothing || err != nil && ctx.Err() != nil {
		return
	}
	w.metrics.count(witness, outcome)
	attributes := []any{"witness", witness, "clinic", clinic, "outcome", outcome}
	if err != nil {
		attributes = append(attributes, "error", err.Error())
	}
	switch outcome {
	case outcomeCosigned:
		w.metrics.cosigned(witness, w.options.Now())
		w.options.Logger.Log(ctx, slog.LevelDebug, "a witness cosigned a log", attributes...)
	case outcomeOtherLog, outcomeLogShorter:
		w.options.Logger.Log(ctx, slog.LevelError, "a witness has seen another history of this log: run `ponderal audit check` and ask the witness what it holds", attributes...)
	default:
		w.options.Logger.Log(ctx, slog.LevelWarn, "a witness did not cosign a log", attributes...)
	}
}
