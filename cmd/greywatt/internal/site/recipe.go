package site

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/ingest/recipe"
	"greywatt/ingest/studyfile"
)

// ReadRecipe returns the one recipe for files of a recipe file or study file.
func ReadRecipe(file string) (*recipe.Recipe, error) {
	all, err := readRecipes(file)
	if err != nil {
		return nil, err
	}
	var found *recipe.Recipe
	for _, r := range all {
		if r.File == nil {
			continue
		}
		if found != nil {
			return nil, cli.Usagef("%s has several recipes for files; put the one for these into a file of its own", file)
		}
		found = r
	}
	if found == nil {
		return nil, cli.Usagef("%s has no recipe with a [file]; greywatt recipe FILE proposes one", file)
	}
	return found, nil
}

// Recipes returns the recipes in the study file, none where it has none.
func (f *StudyFlag) Recipes() ([]*recipe.Recipe, error) {
	data, err := os.ReadFile(f.File)
	if errors.Is(err, fs.ErrNotExist) && f.begun.Load() {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("study: %w", err)
	}
	return recipesIn(f.File, data)
}

// recipesIn returns the recipes in the text of a study file.
func recipesIn(file string, data []byte) ([]*recipe.Recipe, error) {
	if !bytes.Contains(data, []byte("recipe")) { // a large study is not parsed twice
		return nil, nil
	}
	return parseRecipes(file, data)
}

func readRecipes(file string) ([]*recipe.Recipe, error) {
	data, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("recipe: %w", err)
	}
	return parseRecipes(file, data)
}

func parseRecipes(file string, data []byte) ([]*recipe.Recipe, error) {
	all, err := recipe.Read(bytes.NewReader(data))
	if mistakes := (studyfile.Mistakes)(nil); errors.As(err, &mistakes) {
		return nil, &cli.StudyMistakes{File: file, Mistakes: mistakes}
	}
	return all, err
}
