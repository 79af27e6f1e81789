package site

import (
	"slices"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
)

// DwellingFlag names dwellings: by --dwelling or as operands, whichever a user
// prefers.
type DwellingFlag struct{ ids []string }

func (f *DwellingFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringSliceVar(&f.ids, "dwelling", nil, "only the dwelling `ID`, as the operand; may be repeated")
}

// With returns the ids of the flag and of the operands, each once; none where
// neither names one, which stands for all dwellings.
func (f *DwellingFlag) With(operands []string) []string {
	var ids []string
	for _, id := range slices.Concat(f.ids, operands) {
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// One returns the only id of the flag and the operands.
func (f *DwellingFlag) One(operands []string) (string, error) {
	ids := f.With(operands)
	if len(ids) != 1 {
		return "", cli.Usagef("name one dwelling: as the operand, or by --dwelling")
	}
	return ids[0], nil
}
