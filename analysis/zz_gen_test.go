package analysis_test
import ("testing";"sync";"strings")
func TestZZGen(t *testing.T) {
	var wg sync.WaitGroup
	slots := make(chan bool, 2)
	for _, o := range trials(*first, *seeds) {
		if *only != "" && !strings.Contains(o.name, *only) { continue }
		slots <- true
		wg.Go(func() { defer func() { <-slots }(); observe(t, o.house, o.name) })
	}
	wg.Wait()
}
