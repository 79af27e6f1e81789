package store

import (
	"math"

	"greywatt"

	"zombiezen.com/go/sqlite"
)

const (
	insertFrame  = "INSERT INTO frame VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT DO NOTHING"
	selectFrame  = "SELECT waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow FROM frame WHERE node = ? AND at_us = ?"
	updateFrame  = "UPDATE frame SET waste_in = ?3, waste_out = ?4, cold_in = ?5, preheat_out = ?6, flow = ?7, ambient = ?8, waste_flow = ?9 WHERE node = ?1 AND at_us = ?2"
	deleteFrames = "DELETE FROM frame WHERE node = ? AND at_us BETWEEN ? AND ?"
)

func present(v *greywatt.Values) (n int) {
	for _, x := range v {
		if !math.IsNaN(x) {
			n++
		}
	}
	return n
}

// rowScale is the step of values stored as integers: 0.0001 °C or l/s. It holds
// every decimal of up to four digits and, as 0.0625 = 625 · 0.0001, the
// sixteenths of common digital sensors.
const rowScale = 1e4

func bindFrame(stmt *sqlite.Stmt, node int64, f *greywatt.Frame) {
	stmt.BindInt64(1, node)
	stmt.BindInt64(2, int64(f.At))
	for i, v := range f.Value {
		k := math.RoundToEven(v * rowScale)
		switch {
		case v != v:
			stmt.BindNull(3 + i)
		case math.Float64bits(k/rowScale) == math.Float64bits(v) && math.Abs(k) < 1<<53:
			stmt.BindInt64(3+i, int64(k))
		default:
			stmt.BindFloat(3+i, v)
		}
	}
}

func readValues(r *sqlite.Stmt, col int, v *greywatt.Values) {
	for i := range v {
		switch r.ColumnType(col + i) {
		case sqlite.TypeNull:
			v[i] = math.NaN()
		case sqlite.TypeInteger:
			v[i] = float64(r.ColumnInt64(col+i)) / rowScale
		default:
			v[i] = r.ColumnFloat(col + i)
		}
	}
}
