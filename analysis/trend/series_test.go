package trend

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
)

// numbers reads values separated by spaces.
func numbers(s string) []float64 {
	var xs []float64
	for _, f := range strings.Fields(s) {
		x, err := strconv.ParseFloat(f, 64)
		if err != nil {
			panic(err)
		}
		xs = append(xs, x)
	}
	return xs
}

// every makes points of the values at T = 1, 2, 3 and so on.
func every(ys []float64) []Point {
	ps := make([]Point, len(ys))
	for i, y := range ys {
		ps[i] = Point{T: float64(i + 1), Y: y}
	}
	return ps
}

// nile is the flow of a river at one gauge, 1871 to 1970, in 10⁸ m³: a standard
// series of the literature on changes (G. W. Cobb, Biometrika 65 (1978) 243),
// as several open packages have it.
var nile = numbers(`1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140
	1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702
	1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846
	812 742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740`)

// autoregressive returns noise of unit variance with lag-one correlation phi.
func autoregressive(n int, phi float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 77))
	ys := make([]float64, n)
	x := rng.NormFloat64()
	for i := range ys {
		ys[i] = x
		x = phi*x + math.Sqrt(1-phi*phi)*rng.NormFloat64()
	}
	return ys
}
