package dataset

import (
	"fmt"
	"io"
	"strings"

	"greywatt/plots/wording"
)

// readme writes README.md of the dataset: what it is, its files and columns, how
// it was made and how to cite it.
func (p *Package) readme(w io.Writer, resources []*resource) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# %s\n", cellOf(p.title))
	line("%s\n", p.abstract())
	line("## Files\n")
	line("| file | rows | what |\n|---|---:|---|")
	for _, r := range resources {
		line("| [%s](%s) | %d | %s |", r.Path, r.Path, r.rows, cellOf(r.Description))
	}
	line("| [events.parquet](events.parquet) | %d | The same as events.csv, with types |", p.events.rows.len())
	line("| [datapackage.json](datapackage.json) |  | Every column's type, unit and meaning, for programs (Frictionless Tabular Data Package, version 1) |")
	if p.about.Stated() {
		line("| [CITATION.cff](CITATION.cff), [datacite.json](datacite.json), [ro-crate-metadata.json](ro-crate-metadata.json) |  | Who made it and how to cite it, for programs (Citation File Format 1.2.0, DataCite Metadata Schema 4, RO-Crate 1.1) |")
	}
	line("\n## To know before reading\n")
	times := "Times are UTC."
	if p.hide != nil {
		times = p.hide.times()
	}
	line("- %s Months and days are those of the time zone %s.", times, p.zoneWords())
	line("- Numbers have a decimal point; units are UCUM codes; an empty cell is not known, and the flags say why.")
	line("- Every column whose name ends in u95, or has u95 before its unit, is an expanded uncertainty, k = 2 (JCGM 100). u95² = own² + shared²: what is a row's own averages out over rows, what is shared does not.")
	line("- Effectiveness is C_cold (T_preheat-out - T_cold-in) / (C_min (T_waste-in - T_cold-in)), with C mass flow times specific heat and C_min the smaller of the two sides; ratio is that over what the unit's certificate implies at the same flows and temperatures.")
	line("- Sensors are clamped onto pipes: no figure here is fit for billing.")
	line("- Periods that the study's journal leaves out are in no table.")
	if p.hide != nil {
		n := p.hide.note()
		line("- %s. %s. %s", n.Pseudonyms, n.Order, n.Remains)
		if left := p.hide.withheld; p.hide.MinGroup > 1 {
			line("- Left out, as fewer than %d dwellings share what they tell: %s, %s in all; %s.", p.hide.MinGroup, wording.Count(left.Dwellings, "dwelling"), wording.Count(left.Events, "event"), wording.Count(left.Findings, "finding"))
			if len(left.Flags) > 0 {
				line("- Flags that no event here has, as they would point at single homes: %s.", strings.Join(left.Flags, ", "))
			}
		}
	}
	for _, r := range resources {
		line("\n## %s\n", r.Path)
		line("%s. A row is known by %s.\n", cellOf(r.Description), strings.Join(r.Schema.PrimaryKey, " and "))
		line("| column | type | unit | meaning |\n|---|---|---|---|")
		for _, f := range r.Schema.Fields {
			line("| `%s` | %s | %s | %s |", f.Name, f.Type, f.Unit, cellOf(f.Description))
		}
	}
	line("\n## How it was made\n")
	if p.build.Method != "" {
		line("Method version %s. The same version makes the same figures of the same readings.", p.build.Method)
	}
	if p.build.Program != "" {
		line("Program: greywatt %s.", p.build.Program)
	}
	if inputs := p.inputs(); len(inputs) > 0 {
		line("\nWhat was read beside the readings, by SHA-256:\n")
		for _, in := range inputs {
			line("- %s: `%s`", in.Name, strings.TrimPrefix(in.Hash, "sha256:"))
		}
	}
	line("\n## Licence and citation\n")
	if about := &p.about; about.Stated() {
		line("Licence: [%s](%s).\n", about.Licence, licenceURL(about.Licence))
		line("Cite as: %s\n", p.cite())
		for _, f := range about.Funding {
			line("Funded by %s.", strings.TrimSpace(f.Funder+" "+f.Award))
		}
	} else {
		line("None is stated: ask who gave you this before you use it or pass it on.")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// zoneWords names the study's time zone, where that may be known.
func (p *Package) zoneWords() string {
	if p.hide != nil || p.zone == "" {
		return "of the study"
	}
	return p.zone
}

// cellOf keeps a text within a cell of a table.
func cellOf(s string) string {
	return strings.NewReplacer("|", `\|`, "\n", " ", "\r", " ").Replace(s)
}
