// Package monitor watches showers as they come and raises an alarm when
// conductance or heat balance leaves its level.
package monitor
