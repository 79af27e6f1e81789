// Package quantity turns the numbers that loggers give into °C and l/s: by
// unit, by the law of a resistance sensor, or as the rise of a counter. It is
// pure; only a [Counter] remembers anything.
package quantity
