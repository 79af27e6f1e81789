package analysis_test
import ("flag";"testing";"fmt";"greywatt/analysis/finding")
var traced = flag.Bool("trace", false, "")
func TestZZTrace(t *testing.T) { if *traced { finding.Trace = func(f string, a ...any) { fmt.Printf(f+"\n", a...) } } }
