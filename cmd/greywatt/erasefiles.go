package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"greywatt/cmd/greywatt/internal/kept"
	"greywatt/ingest/store"
)

// An idSearch looks for one dwelling's id in names and texts.
type idSearch struct {
	id     string
	longer []string // other ids that hold it
}

// searchFor returns the search for an id among the known ones: what is
// larch-04-b's is not larch-04's.
func searchFor(id string, known []string) idSearch {
	s := idSearch{id: id}
	for _, other := range known {
		if other != id && strings.Contains(other, id) && !slices.Contains(s.longer, other) {
			s.longer = append(s.longer, other)
		}
	}
	return s
}

// in reports whether text has the id in it, between characters that are neither
// letters nor digits, and not as part of a longer id.
func (s idSearch) in(text string) bool {
	if !strings.Contains(text, s.id) {
		return false
	}
	for _, other := range s.longer {
		text = strings.ReplaceAll(text, other, "\x00")
	}
	for at := 0; ; {
		i := strings.Index(text[at:], s.id)
		if i < 0 {
			return false
		}
		at += i
		before, _ := utf8.DecodeLastRuneInString(text[:at])
		after, _ := utf8.DecodeRuneInString(text[at+len(s.id):])
		if !isAlphanumeric(before) && !isAlphanumeric(after) {
			return true
		}
		at++
	}
}

// inName does the same for the name of a sheet, in which a colon stands as an
// underline.
func (s idSearch) inName(name string) bool {
	plain := func(id string) string { return strings.ReplaceAll(id, ":", "_") }
	if plain(s.id) == s.id {
		return false
	}
	as := idSearch{id: plain(s.id)}
	for _, other := range s.longer {
		as.longer = append(as.longer, plain(other))
	}
	return as.in(name)
}

func isAlphanumeric(r rune) bool {
	return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsDigit(r))
}

// files returns the files below folders that have the id in their name.
func (s idSearch) files(folders []string) ([]string, error) {
	var found []string
	err := walkFiles(folders, func(path string) error {
		if name := filepath.Base(path); s.in(name) || s.inName(name) {
			found = append(found, path)
		}
		return nil
	})
	return found, err
}

// walkFiles calls f with each regular file below folders, once, but for the
// store's own and the results kept beside it. It follows no links.
func walkFiles(folders []string, f func(path string) error) error {
	seen := map[string]bool{}
	for _, dir := range folders {
		err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			whole, err := filepath.Abs(path)
			if err != nil {
				return err
			}
			if !e.Type().IsRegular() || seen[whole] || strings.HasPrefix(e.Name(), store.FileName) || strings.HasPrefix(e.Name(), kept.FileName) {
				return nil
			}
			seen[whole] = true
			return f(path)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// removeFiles removes files and says so.
func removeFiles(out io.Writer, files []string) error {
	for _, file := range files {
		if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%w; the readings are erased, this file is not: erase it again", err)
		}
		if _, err := fmt.Fprintf(out, "removed %s\n", file); err != nil {
			return err
		}
	}
	return nil
}

// warn names the files below folders that hold the id inside.
func (s idSearch) warn(ctx context.Context, out io.Writer, folders []string) error {
	return walkFiles(folders, func(path string) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		mentioned, err := s.inside(path)
		if mentioned {
			fmt.Fprintf(out, "%s still names %s: write it again, or remove it\n", path, s.id)
		}
		return err
	})
}

// inside reports whether a file has the id in some line, of which it reads a
// megabyte at a time.
func (s idSearch) inside(path string) (bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	r := bufio.NewReaderSize(f, 1<<20)
	for {
		line, err := r.ReadSlice('\n')
		if s.in(string(line)) {
			return true, nil
		}
		switch {
		case errors.Is(err, io.EOF):
			return false, nil
		case err != nil && !errors.Is(err, bufio.ErrBufferFull):
			return false, err
		}
	}
}
