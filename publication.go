package greywatt

// A Publication is what the study file says of the dataset that others get.
// Everything in it is published as it stands.
type Publication struct {
	Title, Description string
	Licence            string // SPDX identifier
	Publisher          string // who makes it available: an archive or an institution
	Published          Date
	DOI                string // without a prefix, such as 10.5281/zenodo.1; empty: none yet
	Version            string // of the dataset; empty: none
	Contributors       []Contributor
	Funding            []Funding
}

// Stated reports whether the study file says anything of the dataset.
func (p *Publication) Stated() bool { return p.Title != "" }

// A Contributor is an author of the dataset: a person, as Family, Given, or an
// organisation, without a comma.
type Contributor struct {
	Name, ORCID, Affiliation string // the last two may be empty
}

// A Funding is who paid, and by what award.
type Funding struct {
	Funder, Award string // Award may be empty
}
