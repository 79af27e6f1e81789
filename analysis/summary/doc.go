// Package summary sums up events over months, dwellings and a study.
package summary
