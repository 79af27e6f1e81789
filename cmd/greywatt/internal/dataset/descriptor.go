package dataset

// The types below are the Data Package, Tabular Data Resource and Table Schema
// specifications of Frictionless Data, version 1, as far as they are used
// here. What they have no word for (unit, alternatives, funding, generator, build,
// method_version, timezone, inputs, disclosure) are additions, which the specifications
// allow.

type descriptor struct {
	Profile       string          `json:"profile"`
	Name          string          `json:"name"`
	Title         string          `json:"title"`
	ID            string          `json:"id,omitempty"` // a DOI
	Version       string          `json:"version,omitempty"`
	Created       string          `json:"created,omitempty"`
	Description   string          `json:"description"`
	Licenses      []licence       `json:"licenses,omitempty"`
	Contributors  []contributor   `json:"contributors,omitempty"`
	Funding       []funding       `json:"funding,omitempty"`
	Generator     string          `json:"generator"`
	Build         string          `json:"build,omitempty"`
	MethodVersion string          `json:"method_version,omitempty"`
	Timezone      string          `json:"timezone,omitempty"`
	Inputs        []Input         `json:"inputs,omitempty"`
	Disclosure    *disclosureNote `json:"disclosure,omitempty"`
	Resources     []*resource     `json:"resources"`
}

type licence struct {
	Name string `json:"name"`
	Path string `json:"path"`
}

type contributor struct {
	Title        string `json:"title"`
	Path         string `json:"path,omitempty"`
	Role         string `json:"role"`
	Organization string `json:"organization,omitempty"`
}

type funding struct {
	Funder string `json:"funder"`
	Award  string `json:"award,omitempty"`
}

type resource struct {
	Profile     string `json:"profile"`
	Name        string `json:"name"`
	Description string `json:"description"`
	file
	Format       string        `json:"format"`
	MediaType    string        `json:"mediatype"`
	Encoding     string        `json:"encoding"`
	Dialect      dialect       `json:"dialect"`
	Schema       schema        `json:"schema"`
	Alternatives []alternative `json:"alternatives,omitempty"`
	rows         int
}

type dialect struct {
	Delimiter      string `json:"delimiter"`
	LineTerminator string `json:"lineTerminator"`
	QuoteChar      string `json:"quoteChar"`
	DoubleQuote    bool   `json:"doubleQuote"`
	Header         bool   `json:"header"`
}

type schema struct {
	Fields        []field      `json:"fields"`
	MissingValues []string     `json:"missingValues"`
	PrimaryKey    []string     `json:"primaryKey"`
	ForeignKeys   []foreignKey `json:"foreignKeys,omitempty"`
}

type foreignKey struct {
	Fields    string    `json:"fields"`
	Reference reference `json:"reference"`
}

type reference struct {
	Resource string `json:"resource"`
	Fields   string `json:"fields"`
}

// A file is a finished file of the package.
type file struct {
	Path  string `json:"path"`
	Bytes int64  `json:"bytes"`
	Hash  string `json:"hash"`
}

// An alternative is another encoding of a resource. It is no resource of its
// own: those of a Tabular Data Package are CSV.
type alternative struct {
	file
	MediaType   string `json:"mediatype"`
	Description string `json:"description"`
}

func (t *table) resource(f file) *resource {
	return &resource{
		Profile: "tabular-data-resource", Name: t.name, Description: t.description, file: f,
		Format: "csv", MediaType: "text/csv", Encoding: "utf-8",
		Dialect: dialect{",", "\n", `"`, true, true},
		Schema:  schema{Fields: t.fields, MissingValues: []string{""}, PrimaryKey: t.key},
		rows:    t.rows.len(),
	}
}
