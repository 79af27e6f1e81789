// Package journal keeps the journal of a study: dated facts about its dwellings,
// in a plain-text file beside the study file. The file is only ever added to: a
// fact that was wrong is withdrawn by another one.
//
//	file := journal.Beside("study.toml")              // study.journal.toml
//	j, err := file.Read(study)                        // j.Facts, j.Torn; err: studyfile.Mistakes with lines
//	study = study.With(j.Facts)                       // descriptions in force by date, see greywatt.Dwelling.At
//	added, err := file.Append(study, greywatt.Fact{   // fsynced when it returns
//		ID: journal.NewID(), Dwelling: "larch-04", Kind: greywatt.FactCleaned, At: now, By: "engineer", Via: "page"})
//
// A page gives each of its forms an id by [NewID] and appends under it: a form
// sent twice is added once. [File.Append] checks the fact as reading does, so its
// error says what is wrong with which key. Several processes may append at once.
package journal

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/gofrs/flock"

	"greywatt"
	"greywatt/ingest/studyfile"
)

// A File is a journal's path. It need not exist.
type File string

// Beside returns the journal that belongs to a study file: study.journal.toml
// for study.toml.
func Beside(studyFile string) File {
	return File(strings.TrimSuffix(studyFile, ".toml") + ".journal.toml")
}

// A Journal is what a file has.
type Journal struct {
	Facts []greywatt.Fact // in the file's order
	Torn  *Torn           // what an interrupted write left at its end; nil without
}

// Torn is the beginning of a fact whose end is missing: the process or the
// machine stopped while it was written. What stands before it counts.
type Torn struct {
	Line int    // where it begins, from 1
	Text string // what is there
}

// String says what is to be done.
func (t *Torn) String() string {
	return fmt.Sprintf("%d: the last fact has no end: its writing was interrupted, and it does not count; complete it (id comes last) or note it again", t.Line)
}

// Read reads the journal of the study, as its study file has it. A file that does
// not exist has no facts. Mistakes are an error, [studyfile.Mistakes], with every
// one of them.
func (f File) Read(study *greywatt.Study) (Journal, error) {
	data, err := os.ReadFile(string(f))
	if errors.Is(err, fs.ErrNotExist) {
		return Journal{}, nil
	}
	if err != nil {
		return Journal{}, err
	}
	return Parse(data, study)
}

// Parse reads the text of a journal.
func Parse(data []byte, study *greywatt.Study) (Journal, error) {
	at := tornAt(data)
	var j Journal
	if at < len(data) {
		j.Torn = &Torn{Line: bytes.Count(data[:at], []byte("\n")) + 1, Text: string(data[at:])}
	}
	facts, err := studyfile.ReadJournal(data[:at], study)
	if err != nil {
		return Journal{}, err
	}
	j.Facts = facts
	return j, nil
}

// header begins each fact.
const header = "[[fact]]"

var (
	headerLine = regexp.MustCompile(`(?m)^\[\[fact\]\][ \t]*(#.*)?\r?$`)
	idLine     = regexp.MustCompile(`(?m)^[ \t]*id[ \t]*=[ \t]*("[^"\n]+"|'[^'\n]+')[ \t]*(#.*)?\r?$`)
)

// tornAt returns where a fact without its end begins, the length of the data
// where there is none. Appended facts end with their id, so that one that was cut
// anywhere has none.
func tornAt(data []byte) int {
	end := len(data)
	last := bytes.LastIndexByte(data, '\n') + 1
	if cut := strings.TrimRight(string(data[last:]), "\x00"); last < end && strings.HasPrefix(header, cut) {
		end = last // the header itself was cut, or its place was never written
	}
	if heads := headerLine.FindAllIndex(data[:end], -1); len(heads) > 0 {
		from := heads[len(heads)-1][0]
		if !idLine.Match(data[from:end]) || bytes.IndexByte(data[from:end], 0) >= 0 {
			return from
		}
	}
	return end
}

// Append adds a fact and makes it durable before it returns. added is false, and
// nothing is written, where the journal has a fact of that id already. The error
// is a [studyfile.Mistakes] where the fact would not be read back, or where the
// file has mistakes of its own: nothing is added to such a file. Lines of the
// new fact count from its own first one.
func (f File) Append(study *greywatt.Study, fact greywatt.Fact) (added bool, err error) {
	text := studyfile.FormatFact(&fact)
	lock := flock.New(string(f)+".lock", flock.SetPermissions(0o640))
	if err := lock.Lock(); err != nil {
		return false, fmt.Errorf("%s: %w", f, err)
	}
	defer lock.Close() // gives it back
	data, err := os.ReadFile(string(f))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return false, err
	}
	had, err := Parse(data, study)
	if err != nil {
		return false, &InJournal{f, err}
	}
	for i := range had.Facts {
		if had.Facts[i].ID == fact.ID {
			return false, nil
		}
	}
	whole := data
	if had.Torn != nil {
		whole = setAside(data)
	}
	if n := len(whole); n > 0 && whole[n-1] != '\n' {
		whole = append(whole[:n:n], '\n')
	}
	if len(whole) > 0 {
		text = "\n" + text
	}
	if _, err := Parse(append(whole[:len(whole):len(whole)], text...), study); err != nil {
		return false, ofNew(err, bytes.Count(whole, []byte("\n"))+strings.Index(text, header))
	}
	if had.Torn != nil || len(data) == 0 {
		// What is there changes, or the file is new: all of it or nothing.
		return true, f.replace(append(whole[:len(whole):len(whole)], text...))
	}
	return true, f.extend(string(whole[len(data):]) + text)
}

// InJournal is why nothing can be added: the file as it is has mistakes.
type InJournal struct {
	File File
	Err  error
}

func (e *InJournal) Error() string {
	return fmt.Sprintf("%s has mistakes, and nothing is added to it: %v", e.File, e.Err)
}

func (e *InJournal) Unwrap() error { return e.Err }

// ofNew makes lines of a file those of a fact that begins after so many lines.
func ofNew(err error, before int) error {
	var mistakes studyfile.Mistakes
	if !errors.As(err, &mistakes) {
		return err
	}
	out := make(studyfile.Mistakes, len(mistakes))
	for i, m := range mistakes {
		m.Line = max(1, m.Line-before)
		out[i] = m
	}
	return out
}

// setAside makes comments of what an interrupted write left, so that nothing is
// lost and what follows can be read.
func setAside(data []byte) []byte {
	at := tornAt(data)
	out := append([]byte(nil), data[:at]...)
	out = append(out, "# Not complete: its writing was interrupted.\n"...)
	for line := range strings.Lines(string(data[at:])) {
		line = strings.TrimRight(line, "\r\n")
		if quoted := strconv.Quote(line); strings.ContainsAny(line, "\x00\r\v\f\x7f") || !isText(line) {
			line = quoted
		}
		out = append(out, "# "+line+"\n"...)
	}
	return out
}

func isText(s string) bool {
	for _, r := range s {
		if r < 0x20 && r != '\t' || r == 0xfffd {
			return false
		}
	}
	return true
}

// extend adds text to the end of the file and flushes it to disk.
func (f File) extend(text string) error {
	file, err := os.OpenFile(string(f), os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	before, err := file.Seek(0, io.SeekEnd)
	if err != nil {
		return errors.Join(err, file.Close())
	}
	_, err = file.WriteString(text)
	if err == nil {
		err = file.Sync()
	}
	if err != nil { // what the caller is told was not noted is not to be there
		err = errors.Join(err, file.Truncate(before))
	}
	return errors.Join(err, file.Close())
}

// replace writes the file anew, complete or not at all.
func (f File) replace(data []byte) error {
	mode := fs.FileMode(0o640) // who did what in whose home is not for everybody
	if info, err := os.Stat(string(f)); err == nil {
		mode = info.Mode().Perm()
	}
	temp := string(f) + "." + rand.Text()[:10] + ".tmp"
	file, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	defer os.Remove(temp)
	_, err = file.Write(data)
	if err == nil {
		err = file.Sync()
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return err
	}
	if err := os.Rename(temp, string(f)); err != nil {
		return err
	}
	if runtime.GOOS == "windows" { // folders cannot be flushed there
		return nil
	}
	dir, err := os.Open(filepath.Dir(string(f)))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// NewID returns an id for a fact that no other has: the time, for people, and
// forty random bits.
func NewID() string {
	return time.Now().UTC().Format("20060102T150405Z") + "-" + strings.ToLower(rand.Text()[:8])
}
