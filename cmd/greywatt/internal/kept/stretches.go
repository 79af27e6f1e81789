package kept

import (
	"iter"

	"greywatt"
	"greywatt/analysis"
	"greywatt/analysis/finding"
	"greywatt/analysis/health"
)

// Stretches are those of all that the store has of a dwelling. What of them is kept stays
// packed until it is wanted.
type Stretches struct {
	r       *Results
	d       *greywatt.Dwelling
	of      []got
	kind    string
	key     Hash    // of all that findings of them depend on; zero: not known
	Damaged []error // parts of the store that could not be read
}

// Diagnosed is what comes of all stretches together.
type Diagnosed struct {
	Health    health.Record
	Diagnosis finding.Diagnosis
}

// Diagnosed returns what was kept of the stretches together; nil where nothing was.
func (s *Stretches) Diagnosed() *Diagnosed {
	if s.r.file == nil || s.key == (Hash{}) {
		return nil
	}
	b, err := s.r.file.Diagnosis(s.d.ID, s.kind, s.key)
	if err != nil {
		s.r.note(unused, err)
	}
	kept := new(Diagnosed)
	if b == nil || restore(b, kept) != nil {
		return nil
	}
	return kept
}

// Keep keeps what comes of the stretches together.
func (s *Stretches) Keep(d *Diagnosed) {
	if s.r.file == nil || s.key == (Hash{}) {
		return
	}
	b, err := lossless(d)
	if err == nil {
		err = s.r.file.KeepDiagnosis(s.d.ID, s.kind, s.key, b)
	}
	if err != nil {
		s.r.note(notKept, err)
	}
}

// A got is a stretch, packed where it is kept.
type got struct {
	packed  []byte
	stretch analysis.Stretch
}

func (g *got) unpacked(f *File, d *greywatt.Dwelling) (analysis.Stretch, error) {
	if g.packed == nil {
		return g.stretch, nil
	}
	b, err := f.Unpack(g.packed)
	if err != nil {
		return analysis.Stretch{}, errDoubt
	}
	s, err := analysis.UnmarshalStretch(d, b)
	if err != nil {
		return s, errDoubt
	}
	return s, nil
}

// All yields the stretches, once: what was yielded is let go.
func (s *Stretches) All() iter.Seq2[analysis.Stretch, error] {
	return func(yield func(analysis.Stretch, error) bool) {
		for i, g := range s.of {
			s.of[i] = got{}
			stretch, err := g.unpacked(s.r.file, s.d)
			if !yield(stretch, err) || err != nil {
				return
			}
		}
	}
}
