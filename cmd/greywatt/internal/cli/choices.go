package cli

import "github.com/spf13/pflag"

// ChoicesOf is the key under which a flag keeps the values it takes.
const ChoicesOf = "greywatt_choices"

// Choices says that a flag takes one of a few values. Completion offers them and
// the reference lists them; refusing others stays with who reads the flag.
func Choices[S ~string](flags *pflag.FlagSet, flag string, values ...S) {
	words := make([]string, len(values))
	for i, v := range values {
		words[i] = string(v)
	}
	if err := flags.SetAnnotation(flag, ChoicesOf, words); err != nil {
		panic("greywatt: " + err.Error())
	}
}
