package watch

import (
	"fmt"
	"runtime"
	"testing"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/framefile"
)

// A Watch that has read the past of its dwellings holds what it found, and not
// what it needed for reading.
func TestScratchIsGivenBack(t *testing.T) {
	s := simulate.Accuracy(8, 2)
	house := s.Houses[0]
	log := openStore(t)
	study := s.Study
	study.Dwellings = nil
	const dwellings = 8
	for i := range dwellings {
		d := house.Dwelling
		d.ID = fmt.Sprint("larch-", i)
		study.Dwellings = append(study.Dwellings, d)
		var rs []greywatt.Reading
		for f := range house.Frames(nil) {
			rs = framefile.AppendReadings(rs, d.ID, &f)
		}
		commit(t, log, rs)
	}
	heap := func() int64 {
		runtime.GC()
		runtime.GC() // what finalizers keep goes at the second
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	_, to := house.Span()
	w := follow(t, Config{Study: &study, Log: log, View: new(shown)})
	before := heap()
	w.step(to)
	each := (heap() - before) / dwellings
	t.Logf("%d kB a dwelling", each>>10)
	if each > 100<<10 {
		t.Errorf("%d kB are held for each dwelling", each>>10)
	}
	runtime.KeepAlive(w)
}
