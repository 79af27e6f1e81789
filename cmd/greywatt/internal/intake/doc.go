// Package intake tells people what came of a file: which records were refused,
// by kind, and what each channel looks like.
package intake
