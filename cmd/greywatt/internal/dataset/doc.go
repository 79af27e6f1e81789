// Package dataset writes what an analysis found as a Frictionless Tabular Data
// Package: events.csv, findings.csv, trend.csv, the events again as
// events.parquet, and datapackage.json that describes every column. The same
// results give the same bytes.
//
// It formats; it computes nothing. All rows are held in memory as text until
// they are written, some 300 bytes an event, to be put in the order of time.
package dataset
