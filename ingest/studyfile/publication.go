package studyfile

import (
	"strings"

	"greywatt"
)

var (
	titleText   = textRule{func(s string) bool { return strings.TrimSpace(s) != "" && !strings.ContainsAny(s, "\r\n") }, "a line of text", "say it in a few words"}
	licenceText = matching(`[A-Za-z0-9][-A-Za-z0-9.+]*`, "an SPDX licence identifier", `copy it from the SPDX licence list, such as "CC-BY-4.0"`)
	doiText     = matching(`10\.[0-9.]{4,}/[!-~]+|`, "a DOI, such as 10.1234/abc", "leave out https://doi.org/ before it")
	orcidText   = textRule{orcid, "an ORCID iD, such as 0000-0002-1825-0097", "copy it, the last digit checks the others"}
)

// orcid reports whether s is an ORCID iD, or empty. The last of its sixteen
// characters is a check by ISO 7064 MOD 11-2, X standing for 10 (ORCID's own
// documentation, from memory).
func orcid(s string) bool {
	if s == "" {
		return true
	}
	if len(s) != 19 {
		return false
	}
	total := 0
	for i, c := range []byte(s) {
		switch {
		case i%5 == 4:
			if c != '-' {
				return false
			}
		case i == 18:
			check := (12 - total%11) % 11
			return check == 10 && c == 'X' || c >= '0' && c <= '9' && check == int(c-'0')
		case c < '0' || c > '9':
			return false
		default:
			total = (total + int(c-'0')) * 2
		}
	}
	return false
}

// publication reads what the study file says of the dataset; what an archive asks
// for has to be there where anything is.
func (f *reader) publication(root *section) greywatt.Publication {
	t := root.table("dataset")
	var p greywatt.Publication
	if root.t.values["dataset"] == nil {
		return p
	}
	t.require("title", "state the dataset's title; it is published, study.name is not")
	t.require("licence", `state how others may use it, such as licence = "CC-BY-4.0"`)
	t.require("publisher", "state the archive or institution that makes it available")
	t.require("published", "state the day of publication, such as published = 2026-11-02")
	p.Title = t.text("title", "", titleText)
	p.Description = t.text("description", "", anyText)
	p.Licence = t.text("licence", "", licenceText)
	p.Publisher = t.text("publisher", "", titleText)
	p.Published = t.date("published")
	p.DOI = t.text("doi", "", doiText)
	p.Version = t.text("version", "", anyText)
	for _, c := range t.tables("contributor") {
		c.require("name", `state it as "Family, Given", an organisation without a comma`)
		p.Contributors = append(p.Contributors, greywatt.Contributor{
			Name: c.text("name", "", titleText), ORCID: c.text("orcid", "", orcidText), Affiliation: c.text("affiliation", "", anyText),
		})
		c.finish()
	}
	if len(p.Contributors) == 0 && !t.t.damaged && !t.has("contributor") {
		t.mistake("contributor", "missing", "add a [[dataset.contributor]] with a name for each author")
	}
	for _, u := range t.tables("funding") {
		u.require("funder", "state who paid")
		p.Funding = append(p.Funding, greywatt.Funding{Funder: u.text("funder", "", titleText), Award: u.text("award", "", anyText)})
		u.finish()
	}
	t.finish()
	return p
}
