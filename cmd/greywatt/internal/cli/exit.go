package cli

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"greywatt/ingest/studyfile"
)

// The exit codes.
const (
	ExitDone        = 0
	ExitFailure     = 1
	ExitUsage       = 2
	ExitRejected    = 3
	ExitInterrupted = 130
)

var ExitMeanings = map[int]string{
	ExitDone:        "done",
	ExitFailure:     "failure",
	ExitUsage:       "wrong usage, or mistakes in the study file",
	ExitRejected:    "completed, but some records were rejected",
	ExitInterrupted: "interrupted",
}

// A usageError is a mistake in how the program was called.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

// Usage marks a mistake in how the program was called.
func Usage(err error) error { return usageError{err} }

// Usagef returns such a mistake.
func Usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// ErrRejected: the work is done, some records were rejected. They are already
// reported.
var ErrRejected = errors.New("some records were rejected; greywatt rejected lists them")

// StudyMistakes are the mistakes of a study file, or of what it names, a line each.
type StudyMistakes struct {
	File     string
	Mistakes studyfile.Mistakes
}

func (e *StudyMistakes) Error() string {
	var lines strings.Builder
	for _, m := range e.Mistakes {
		fmt.Fprintf(&lines, "%s:%s\n", e.FileOf(&m), m)
	}
	return lines.String()
}

// FileOf returns the file that a mistake is in: the table of dwellings is in the
// folder of the study file.
func (e *StudyMistakes) FileOf(m *studyfile.Mistake) string {
	if m.File == "" {
		return e.File
	}
	return filepath.Join(filepath.Dir(e.File), filepath.FromSlash(m.File))
}

func (e *StudyMistakes) Unwrap() error { return e.Mistakes }

// exitCode is the one place where errors become codes.
func exitCode(ctx context.Context, err error) int {
	var usage usageError
	var mistakes *StudyMistakes
	switch {
	case errors.As(err, &usage), errors.As(err, &mistakes):
		return ExitUsage
	case errors.Is(err, ErrRejected):
		return ExitRejected
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		return ExitInterrupted
	default:
		return ExitFailure
	}
}
