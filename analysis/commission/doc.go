// Package commission judges from a unit's first showers whether it does what
// its certificate says.
package commission
