package studyfile_test

import (
	"errors"
	"strings"
	"testing"

	"greywatt/ingest/studyfile"
)

const published = `[dataset]
title = "Larch Row, a winter of shower heat recovery"
licence = "CC-BY-4.0"
publisher = "Archive of the Larch"
published = 2026-11-02
[[dataset.contributor]]
name = "Alder, Ash"
orcid = "0000-0002-1825-0097"
`

func TestPublication(t *testing.T) {
	s, err := studyfile.Read(strings.NewReader(published + minimal))
	if err != nil {
		t.Fatal(err)
	}
	p := s.Dataset
	if !p.Stated() || p.Licence != "CC-BY-4.0" || p.Published.Year != 2026 || len(p.Contributors) != 1 || p.Contributors[0].ORCID == "" {
		t.Errorf("%+v", p)
	}
	if s, err := studyfile.Read(strings.NewReader(minimal)); err != nil || s.Dataset.Stated() {
		t.Errorf("a file without: %+v, %v", s, err)
	}
}

func TestPublicationMistakes(t *testing.T) {
	for name, test := range map[string]struct{ old, is, want string }{
		"nothing else":   {published, "[dataset]\n", "line 1: dataset.title: missing"},
		"licence":        {`"CC-BY-4.0"`, `"free for all"`, `3: dataset.licence: "free for all": want an SPDX licence identifier`},
		"DOI":            {`licence =`, "doi = \"https://doi.org/10.1234/x\"\nlicence =", "3: dataset.doi: "},
		"no author":      {"[[dataset.contributor]]\nname = \"Alder, Ash\"\norcid = \"0000-0002-1825-0097\"\n", "", "1: dataset.contributor: missing"},
		"ORCID, a digit": {"0097", "0098", `8: dataset.contributor[1].orcid: "0000-0002-1825-0098": want an ORCID iD`},
		"unknown":        {"licence =", "license =", `3: dataset."license": unknown key; did you mean licence?`},
	} {
		_, err := studyfile.Read(strings.NewReader(strings.Replace(published, test.old, test.is, 1) + minimal))
		var mistakes studyfile.Mistakes
		if !errors.As(err, &mistakes) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: %v, want %s", name, err, test.want)
		}
	}
	// two examples of ORCID's own documentation (from memory): the second ends with X
	for _, id := range []string{"0000-0002-1825-0097", "0000-0002-1694-233X"} {
		if _, err := studyfile.Read(strings.NewReader(strings.Replace(published, "0000-0002-1825-0097", id, 1) + minimal)); err != nil {
			t.Errorf("%s: %v", id, err)
		}
	}
}
