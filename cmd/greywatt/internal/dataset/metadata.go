package dataset

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"greywatt"
)

// metadataFiles say who made the dataset and how others may use it, for people,
// archives and search engines. They are there where the study file has [dataset].
var metadataFiles = []string{"CITATION.cff", "datacite.json", "ro-crate-metadata.json"}

func licenceURL(id string) string { return "https://spdx.org/licenses/" + id + ".html" }

func orcidURL(id string) string { return "https://orcid.org/" + id }

// person divides a name as Family, Given; ok is false for an organisation.
func person(name string) (family, given string, ok bool) {
	family, given, ok = strings.Cut(name, ",")
	return strings.TrimSpace(family), strings.TrimSpace(given), ok
}

// said is a name as it is said, Given Family.
func said(name string) string {
	if family, given, ok := person(name); ok {
		return strings.TrimSpace(given + " " + family)
	}
	return name
}

// object is JSON whose keys come in the order of the alphabet.
type object = map[string]any

func writeObject(w io.Writer, v any) error {
	out := json.NewEncoder(w)
	out.SetEscapeHTML(false)
	out.SetIndent("", "  ")
	return out.Encode(v)
}

// abstract says what the dataset is.
func (p *Package) abstract() string {
	if d := p.about.Description; d != "" {
		return d
	}
	return "Events at shower waste-water heat exchangers, found in readings of clamp-on sensors and flow meters: effectiveness against the certificate's, heat recovered, findings about units, piping and sensors, each figure with its uncertainty."
}

// citation writes CITATION.cff: Citation File Format 1.2.0, of which cff-version,
// message, title and authors are required (from memory). A text in JSON is one in
// YAML too.
func (p *Package) citation(w io.Writer) error {
	var b strings.Builder
	put := func(indent, key, value string) {
		if value == "" {
			return
		}
		text, err := json.Marshal(value)
		if err != nil {
			panic("dataset: a text cannot be written: " + err.Error())
		}
		fmt.Fprintf(&b, "%s%s: %s\n", indent, key, text)
	}
	about := &p.about
	put("", "cff-version", "1.2.0")
	put("", "message", "If you use this dataset, please cite it as below.")
	put("", "type", "dataset")
	put("", "title", about.Title)
	put("", "abstract", p.abstract())
	b.WriteString("authors:\n")
	for _, c := range about.Contributors {
		family, given, ok := person(c.Name)
		if !ok {
			put("  - ", "name", c.Name)
			continue
		}
		put("  - ", "family-names", family)
		put("    ", "given-names", given)
		put("    ", "affiliation", c.Affiliation)
		if c.ORCID != "" {
			put("    ", "orcid", orcidURL(c.ORCID))
		}
	}
	put("", "license", about.Licence)
	put("", "date-released", about.Published.String())
	put("", "doi", about.DOI)
	put("", "version", about.Version)
	_, err := io.WriteString(w, b.String())
	return err
}

// dataCite writes datacite.json: the attributes of the DataCite Metadata Schema 4,
// of which creators, titles, publisher, publicationYear and types are required, and
// an identifier once there is one (from memory).
func (p *Package) dataCite(w io.Writer) error {
	about := &p.about
	creators := []object{}
	for _, c := range about.Contributors {
		family, given, ok := person(c.Name)
		creator := object{"name": c.Name, "nameType": "Organizational"}
		if ok {
			creator["nameType"], creator["familyName"], creator["givenName"] = "Personal", family, given
		}
		if c.ORCID != "" {
			creator["nameIdentifiers"] = []object{{"nameIdentifier": orcidURL(c.ORCID), "nameIdentifierScheme": "ORCID", "schemeUri": "https://orcid.org"}}
		}
		if c.Affiliation != "" {
			creator["affiliation"] = []object{{"name": c.Affiliation}}
		}
		creators = append(creators, creator)
	}
	d := object{
		"schemaVersion": "http://datacite.org/schema/kernel-4",
		"creators":      creators, "titles": []object{{"title": about.Title}}, "publisher": object{"name": about.Publisher},
		"publicationYear": fmt.Sprint(about.Published.Year),
		"types":           object{"resourceTypeGeneral": "Dataset", "resourceType": "Tabular data package"},
		"dates":           []object{{"date": about.Published.String(), "dateType": "Issued"}},
		"rightsList": []object{{
			"rights": about.Licence, "rightsUri": licenceURL(about.Licence), "rightsIdentifier": strings.ToLower(about.Licence),
			"rightsIdentifierScheme": "SPDX", "schemeUri": "https://spdx.org/licenses/",
		}},
		"descriptions": []object{{"description": p.abstract(), "descriptionType": "Abstract"}},
		"formats":      []string{"text/csv", "application/vnd.apache.parquet"}, "language": "en",
	}
	if about.DOI != "" {
		d["doi"] = about.DOI
		d["identifiers"] = []object{{"identifier": "https://doi.org/" + about.DOI, "identifierType": "DOI"}}
	}
	if about.Version != "" {
		d["version"] = about.Version
	}
	if len(about.Funding) > 0 {
		var all []object
		for _, f := range about.Funding {
			one := object{"funderName": f.Funder}
			if f.Award != "" {
				one["awardNumber"] = f.Award
			}
			all = append(all, one)
		}
		d["fundingReferences"] = all
	}
	return writeObject(w, d)
}

// A member is a file of the dataset, for those who list them.
type member struct{ name, description, mediaType string }

// crate writes ro-crate-metadata.json: RO-Crate 1.1, by which the descriptor states
// conformsTo and about, and the root dataset name, description, datePublished and
// license; each file is an entity of its own (from memory).
func (p *Package) crate(w io.Writer, members []member) error {
	about := &p.about
	ref := func(id string) object { return object{"@id": id} }
	var authors, parts, entities []object
	for i, c := range about.Contributors {
		_, _, isPerson := person(c.Name)
		id := fmt.Sprintf("#author-%d", i+1)
		if c.ORCID != "" {
			id = orcidURL(c.ORCID)
		}
		author := object{"@id": id, "@type": "Organization", "name": said(c.Name)}
		if isPerson {
			family, given, _ := person(c.Name)
			author["@type"], author["familyName"], author["givenName"] = "Person", family, given
		}
		if c.Affiliation != "" {
			of := fmt.Sprintf("#affiliation-%d", i+1)
			author["affiliation"] = ref(of)
			entities = append(entities, object{"@id": of, "@type": "Organization", "name": c.Affiliation})
		}
		authors = append(authors, ref(id))
		entities = append(entities, author)
	}
	for _, m := range members {
		parts = append(parts, ref(m.name))
		entities = append(entities, object{"@id": m.name, "@type": "File", "name": m.name, "description": m.description, "encodingFormat": m.mediaType})
	}
	const publisher, program = "#publisher", "#greywatt"
	root := object{
		"@id": "./", "@type": "Dataset", "name": about.Title, "description": p.abstract(), "datePublished": about.Published.String(),
		"license": ref(licenceURL(about.Licence)), "author": authors, "publisher": ref(publisher), "hasPart": parts,
	}
	if about.DOI != "" {
		root["identifier"] = "https://doi.org/" + about.DOI
	}
	if about.Version != "" {
		root["version"] = about.Version
	}
	if len(about.Funding) > 0 {
		var funders []object
		for i, f := range about.Funding {
			id := fmt.Sprintf("#funding-%d", i+1)
			funders = append(funders, ref(id))
			grant := object{"@id": id, "@type": "Grant", "name": strings.TrimSpace(f.Funder + " " + f.Award), "funder": ref(id + "-funder")}
			if f.Award != "" {
				grant["identifier"] = f.Award
			}
			entities = append(entities, grant, object{"@id": id + "-funder", "@type": "Organization", "name": f.Funder})
		}
		root["funding"] = funders
	}
	software := object{"@id": program, "@type": "SoftwareApplication", "name": "greywatt"}
	if p.build.Program != "" {
		software["version"] = p.build.Program
	}
	graph := []object{
		{"@id": "ro-crate-metadata.json", "@type": "CreativeWork", "conformsTo": ref("https://w3id.org/ro/crate/1.1"), "about": ref("./")},
		root,
		{"@id": licenceURL(about.Licence), "@type": "CreativeWork", "name": about.Licence},
		{"@id": publisher, "@type": "Organization", "name": about.Publisher},
		software,
		{"@id": "#analysis", "@type": "CreateAction", "name": "Analysis of the readings", "instrument": ref(program), "result": parts},
	}
	return writeObject(w, object{"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": slices.Concat(graph, entities)})
}

// cite says how the dataset is cited.
func (p *Package) cite() string {
	about := &p.about
	names := make([]string, len(about.Contributors))
	for i, c := range about.Contributors {
		names[i] = c.Name
	}
	text := fmt.Sprintf("%s (%d): %s.", strings.Join(names, "; "), about.Published.Year, strings.TrimSuffix(about.Title, "."))
	if about.Version != "" {
		text += " Version " + about.Version + "."
	}
	text += " " + about.Publisher + "."
	if about.DOI != "" {
		text += " https://doi.org/" + about.DOI
	}
	return text
}

// describeLicence fills in what the data package says of people and licence: Data
// Package v1's licenses and contributors.
func (d *descriptor) describeLicence(about *greywatt.Publication) {
	d.ID, d.Version, d.Created = about.DOI, about.Version, about.Published.String()+"T00:00:00Z"
	d.Licenses = []licence{{about.Licence, licenceURL(about.Licence)}}
	for _, c := range about.Contributors {
		one := contributor{Title: said(c.Name), Role: "author", Organization: c.Affiliation}
		if c.ORCID != "" {
			one.Path = orcidURL(c.ORCID)
		}
		d.Contributors = append(d.Contributors, one)
	}
	for _, f := range about.Funding {
		d.Funding = append(d.Funding, funding{f.Funder, f.Award})
	}
}
