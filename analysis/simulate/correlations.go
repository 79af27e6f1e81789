package simulate

import "math"

// Transport properties of liquid water at 0.1 MPa: IAPWS SR6-08(2011), its
// equations for viscosity and thermal conductivity, 253 to 383 K.

// viscosity returns Pa s at t °C.
func viscosity(t float64) float64 {
	x := (t + 273.15) / 300
	return 1e-6 * (280.68*math.Pow(x, -1.9) + 511.45*math.Pow(x, -7.7) + 61.131*math.Pow(x, -19.6) + 0.45903*math.Pow(x, -40))
}

// conductivity returns W/(m K) at t °C.
func conductivity(t float64) float64 {
	x := (t + 273.15) / 300
	return 1.6630*math.Pow(x, -1.15) - 1.7781*math.Pow(x, -3.4) + 1.1567*math.Pow(x, -6.0) - 0.432115*math.Pow(x, -7.6)
}

// liquid is what the correlations need of water at one temperature.
type liquid struct {
	viscosity    float64 // Pa s
	conductivity float64 // W/(m K)
	prandtl      float64
	filmM        float64 // m, (ν²/g)^⅓
}

// liquids holds water at every degree from 0 to 60 °C: linear between them,
// viscosity is within 0.02 % of its equation.
var liquids = func() (list [61]liquid) {
	for i := range list {
		t := float64(i)
		mu, k := viscosity(t), conductivity(t)
		list[i] = liquid{
			viscosity: mu, conductivity: k, prandtl: mu * specificHeat(t) / k,
			filmM: math.Cbrt(math.Pow(mu/density(t), 2) / 9.80665),
		}
	}
	return list
}()

// liquidAt returns water at t °C, held to 0 to 60.
func liquidAt(t float64) liquid {
	t = min(max(t, 0), 60)
	i := min(int(t), len(liquids)-2)
	a, b, f := &liquids[i], &liquids[i+1], t-float64(i)
	return liquid{
		viscosity:    a.viscosity + f*(b.viscosity-a.viscosity),
		conductivity: a.conductivity + f*(b.conductivity-a.conductivity),
		prandtl:      a.prandtl + f*(b.prandtl-a.prandtl),
		filmM:        a.filmM + f*(b.filmM-a.filmM),
	}
}

// A FilmLaw is a correlation for a film that falls down a vertical wall.
type FilmLaw string

// The film correlations. Those of the heat atlas (VDI Heat Atlas, section M3)
// are from memory and take Re = Γ/μ; those of K. R. Chun and R. A. Seban,
// J. Heat Transfer 93 (1971) 391, take Re = 4Γ/μ and were found for films that
// evaporate.
const (
	AtlasTransition    FilmLaw = "atlas-transition"
	AtlasTurbulent     FilmLaw = "atlas-turbulent"
	ChunSebanLaminar   FilmLaw = "chun-seban-laminar"
	ChunSebanTurbulent FilmLaw = "chun-seban-turbulent"
)

// FilmLaws lists the film correlations.
var FilmLaws = []FilmLaw{AtlasTransition, AtlasTurbulent, ChunSebanLaminar, ChunSebanTurbulent}

// coefficient returns W/(m² K) for kg/s per metre of wall, at t °C.
func (l FilmLaw) coefficient(wetting, t float64) float64 {
	w := liquidAt(t)
	re := wetting / w.viscosity
	var nu float64
	switch l {
	case AtlasTransition:
		nu = 0.0425 * math.Pow(re, 0.2) * math.Pow(w.prandtl, 0.344)
	case AtlasTurbulent:
		nu = 0.0136 * math.Pow(re, 0.4) * math.Pow(w.prandtl, 0.344)
	case ChunSebanLaminar:
		nu = 0.821 * math.Pow(4*re, -0.22)
	case ChunSebanTurbulent:
		nu = 0.0038 * math.Pow(4*re, 0.4) * math.Pow(w.prandtl, 0.65)
	default:
		panic("simulate: no film correlation " + string(l))
	}
	return nu * w.conductivity / w.filmM
}

// A CoilLaw is a correlation for water in the coil's tubes.
type CoilLaw string

// The tube correlations: F. W. Dittus and L. M. K. Boelter (1930) for heating;
// V. Gnielinski, Int. Chem. Eng. 16 (1976) 359, with the friction factor
// (0.79 ln Re - 1.64)^-2; E. F. Schmidt, Chem. Ing. Tech. 39 (1967) 781, for
// coils, turbulent and laminar (the laminar one from memory).
const (
	DittusBoelter    CoilLaw = "dittus-boelter"
	Gnielinski       CoilLaw = "gnielinski"
	SchmidtTurbulent CoilLaw = "schmidt-turbulent"
	SchmidtLaminar   CoilLaw = "schmidt-laminar"
)

// CoilLaws lists the tube correlations.
var CoilLaws = []CoilLaw{DittusBoelter, Gnielinski, SchmidtTurbulent, SchmidtLaminar}

// nusselt takes Reynolds and Prandtl numbers and the tube's bore over the
// coil's diameter.
func (l CoilLaw) nusselt(re, pr, curvature float64) float64 {
	switch l {
	case DittusBoelter:
		return 0.023 * math.Pow(re, 0.8) * math.Pow(pr, 0.4)
	case Gnielinski:
		f := math.Pow(0.79*math.Log(re)-1.64, -2)
		return gnielinski(re, pr, f)
	case SchmidtTurbulent:
		x := curvature
		if re < 2.2e4 {
			return 0.023 * (1 + 14.8*(1+x)*math.Cbrt(x)) * math.Pow(re, 0.8-0.22*math.Pow(x, 0.1)) * math.Cbrt(pr)
		}
		return 0.023 * (1 + 3.6*(1-x)*math.Pow(x, 0.8)) * math.Pow(re, 0.8) * math.Cbrt(pr)
	case SchmidtLaminar:
		x := curvature
		m := 0.5 + 0.2903*math.Pow(x, 0.194)
		return 3.65 + 0.08*(1+0.8*math.Pow(x, 0.9))*math.Pow(re, m)*math.Cbrt(pr)
	}
	panic("simulate: no tube correlation " + string(l))
}

func gnielinski(re, pr, f float64) float64 {
	return f / 8 * (re - 1000) * pr / (1 + 12.7*math.Sqrt(f/8)*(math.Pow(pr, 2.0/3)-1))
}

// criticalReynolds is where flow in a coil turns turbulent (Schmidt 1967).
func criticalReynolds(curvature float64) float64 { return 2300 * (1 + 8.6*math.Pow(curvature, 0.45)) }

// leastTurbulentRe is the Reynolds number under which the correlations for
// turbulent flow are not used: there the coefficient falls with the square root of the
// flow, about as the coil's laminar one does. It keeps a unit defined at the
// trickle that a mixer passes in connection B.
const leastTurbulentRe = 2300

// coefficient returns W/(m² K) for kg/s through one tube of a bore, at t °C.
func (l CoilLaw) coefficient(kgS, boreM, curvature, t float64) float64 {
	w := liquidAt(t)
	re := 4 * kgS / (math.Pi * boreM * w.viscosity)
	weak := 1.0
	if l != SchmidtLaminar && re < leastTurbulentRe {
		weak = math.Sqrt(re / leastTurbulentRe)
		re = leastTurbulentRe
	}
	return weak * l.nusselt(re, w.prandtl, curvature) * w.conductivity / boreM
}

// A Geometry is what the correlations of a [Correlated] unit work on: a film
// in an upright pipe with tubes wound around it.
type Geometry struct {
	Film      FilmLaw
	Coil      CoilLaw
	PipeBoreM float64 // of the drain pipe
	TubeBoreM float64 // of the coil's tubes
	Starts    int     // tubes wound side by side, sharing the flow
}

func (g *Geometry) curvature() float64 { return g.TubeBoreM / (g.PipeBoreM + 0.002 + g.TubeBoreM) }

// reynolds returns the Reynolds number in each tube for kg/s through all, at t °C.
func (g *Geometry) reynolds(kgS, t float64) float64 {
	return 4 * kgS / float64(g.Starts) / (math.Pi * g.TubeBoreM * liquidAt(t).viscosity)
}

// film returns W/(m² K) on the waste side for kg/s down the pipe.
func (g *Geometry) film(kgS, t float64) float64 {
	return g.Film.coefficient(kgS/(math.Pi*g.PipeBoreM), t)
}

// coil returns W/(m² K) in the tubes for kg/s through all of them.
func (g *Geometry) coil(kgS, t float64) float64 {
	return g.Coil.coefficient(kgS/float64(g.Starts), g.TubeBoreM, g.curvature(), t)
}
