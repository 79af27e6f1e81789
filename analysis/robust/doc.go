// Package robust has statistics that a few outliers leave alone.
package robust
