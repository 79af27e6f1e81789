package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"greywatt/ingest/studyfile"
)

// The exit codes.
const (
	exitDone        = 0
	exitFailure     = 1
	exitUsage       = 2
	exitRefused     = 3
	exitInterrupted = 130
)

var exitMeanings = map[int]string{
	exitDone:        "done",
	exitFailure:     "failure",
	exitUsage:       "wrong usage, or mistakes in the study file",
	exitRefused:     "done, but some data was refused and set aside",
	exitInterrupted: "interrupted",
}

// A usageError is a mistake in how the program was called.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errRefused: the work is done, some data was refused. What was refused is
// already reported.
var errRefused = errors.New("some data was refused; set-aside lists it")

// studyMistakes are the mistakes of a study file, a line each.
type studyMistakes struct {
	file     string
	mistakes studyfile.Mistakes
}

func (e *studyMistakes) Error() string {
	var lines strings.Builder
	for _, m := range e.mistakes {
		fmt.Fprintf(&lines, "%s:%s\n", e.file, m)
	}
	return lines.String()
}

func (e *studyMistakes) Unwrap() error { return e.mistakes }

// exitCode is the one place where errors become codes.
func exitCode(ctx context.Context, err error) int {
	var usage usageError
	var mistakes *studyMistakes
	switch {
	case errors.As(err, &usage), errors.As(err, &mistakes):
		return exitUsage
	case errors.Is(err, errRefused):
		return exitRefused
	case ctx.Err() != nil && errors.Is(err, context.Canceled):
		return exitInterrupted
	default:
		return exitFailure
	}
}
