// Package completeness counts how much of the time a dwelling has readings, and
// where they are missing.
package completeness
