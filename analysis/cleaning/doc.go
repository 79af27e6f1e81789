// Package cleaning says what dirt costs a unit, when it should be cleaned, and
// what past cleanings brought.
package cleaning
