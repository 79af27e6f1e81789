// Package zerocheck compares a dwelling's clamps with each other while nothing
// runs, and suggests offsets.
package zerocheck
