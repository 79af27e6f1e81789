package live

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	"greywatt"
)

//go:embed templates/*.html
var templateFiles embed.FS

//go:embed static
var staticFiles embed.FS

// staticVersion stands in the addresses of static files, so that a browser
// keeps them until they change.
var staticVersion = func() string {
	sum := sha256.New()
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		panic(err) // embedded
	}
	for _, e := range entries {
		text, _ := staticFiles.ReadFile("static/" + e.Name())
		sum.Write(text)
	}
	return hex.EncodeToString(sum.Sum(nil))[:12]
}()

func staticPath(name string) string { return "/static/" + staticVersion + "/" + name }

var templates = template.Must(template.New("").Funcs(template.FuncMap{"static": staticPath}).ParseFS(templateFiles, "templates/*.html"))

var staticTypes = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
}

func (p *Page) static(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	text, err := staticFiles.ReadFile("static/" + name)
	if err != nil {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", staticTypes[path.Ext(name)])
	if r.PathValue("version") == staticVersion {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	w.Write(text)
}

// A frame is what every page has around what is its own.
type frame struct {
	Title, Study  string
	At            string // which page it is, for the navigation
	In            bool   // the visitor may see the study
	Token         string // of the form that signs out; empty without a password
	Stream        string // where what changes comes from; empty: nothing does
	Again         int    // s after which the page loads itself again; 0: never
	Notices       []string
	Version, Zone string
}

func (p *Page) frame(r *http.Request, title string) frame {
	f := frame{Title: title, Study: p.cfg.Study.Name, In: p.access.allowed(r), Version: p.cfg.Version, Zone: p.clock().zone.String()}
	if f.Study == "" {
		f.Study = "greywatt"
	}
	if f.In {
		f.Notices = p.notices()
	} else {
		f.Study = "greywatt" // the study's name is for those who may see it
	}
	if s := p.access.session(r); s != "" {
		f.Token = p.access.token(s)
	}
	return f
}

// notices says what is wrong with logging as a whole.
func (p *Page) notices() []string {
	var out []string
	c := p.clock()
	clock := func(t time.Time) string { return t.In(c.zone).Format("15:04 on 2 January") }
	if p.cfg.Ingest != nil {
		s := p.cfg.Ingest()
		if !s.FailingSince.IsZero() {
			out = append(out, fmt.Sprintf("Readings are not being stored since %s, and the nodes keep them: %s", clock(s.FailingSince), s.LastError))
		}
	}
	if p.cfg.Link != nil {
		if l := p.cfg.Link(); !l.Connected {
			s := "No connection to the broker " + l.Where
			if !l.Since.IsZero() {
				s += " since " + clock(l.Since)
			}
			if l.Trouble != "" {
				s += ": " + l.Trouble
			}
			out = append(out, s)
		}
	}
	if p.cfg.Mirror != nil {
		if m := p.cfg.Mirror(); !m.FailingSince.IsZero() {
			s := fmt.Sprintf("The mirror is not written since %s: %s. What it lacks is on disk, and logging goes on.", clock(m.FailingSince), strings.TrimSuffix(m.Trouble, "."))
			if m.Lasting {
				s += " This will not pass by itself."
			}
			out = append(out, s)
		}
	}
	if k := p.clocks.Load(); k != nil && len(k.Wrong) > 0 {
		out = append(out, k.words())
	}
	if t := p.refused.Load(); t != nil {
		out = append(out, "What was changed in the study's files is not taken, and what they said before goes on: "+*t)
	}
	if t := p.trouble.Load(); t != nil {
		s := "What stands here is old: " + *t + "."
		if p.cfg.Ingest != nil {
			s += " Logging goes on."
		}
		out = append(out, s)
	}
	return out
}

// mirror says in a line how the mirror fares; empty where there is none.
func (p *Page) mirror() string {
	if p.cfg.Mirror == nil {
		return ""
	}
	m, c := p.cfg.Mirror(), p.clock()
	when := func(t time.Time) string { return c.second(greywatt.InstantOf(t)) }
	s := "Mirror " + m.Server + ": "
	switch {
	case m.BehindSince.IsZero() && m.Waiting == 0:
		s += "has everything"
	case m.BehindSince.IsZero():
		s += count(m.Waiting, "pack") + " of readings on the way"
	default:
		s += fmt.Sprintf("behind since %s, %s of readings to go", when(m.BehindSince), count(m.Waiting, "pack"))
	}
	if m.LastWrite.IsZero() {
		s += "; nothing written since the logger started"
	} else {
		s += "; last written " + when(m.LastWrite)
	}
	if m.Rejected > 0 {
		s += fmt.Sprintf("; %s rejected by the server and kept here", count(m.Rejected, "reading"))
	}
	return s + "."
}

// render writes a page.
func render(w http.ResponseWriter, status int, name string, data any) error {
	var page bytes.Buffer
	if err := templates.ExecuteTemplate(&page, name, data); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(page.Bytes()) // a visitor who has gone is nobody's error
	return nil
}

// fragment renders a part of a page.
func fragment(name string, data any) string {
	var part bytes.Buffer
	if err := templates.ExecuteTemplate(&part, name, data); err != nil {
		panic(fmt.Sprintf("live: part %s: %v", name, err)) // data and template are both ours
	}
	return part.String()
}

// A problem is an error that a visitor is told of.
type problem struct {
	status      int
	title, text string
}

func (p *problem) Error() string { return p.title }

var (
	problem500 = problem{http.StatusInternalServerError, "This page could not be made", "The reason is in the logger’s own messages. Logging goes on; try again in a moment."}
	problem504 = problem{http.StatusGatewayTimeout, "This page took too long", "The machine is busy, perhaps with a first look at all the data. Logging goes on; try again in a minute."}
)

type linkTo struct{ Href, Words string }

func (p *Page) showProblem(w http.ResponseWriter, r *http.Request, pr *problem) {
	f := p.frame(r, pr.title)
	data := struct {
		frame
		Text string
		Next *linkTo
	}{f, pr.text, nil}
	if f.In {
		data.Next = &linkTo{"/", "To the dwellings"}
	}
	if err := render(w, pr.status, "problem", data); err != nil {
		http.Error(w, pr.title, pr.status)
	}
}

func (p *Page) noPage(http.ResponseWriter, *http.Request) error {
	return &problem{http.StatusNotFound, "No such page", "The address may be mistyped, or from another study."}
}

func dwellingPath(id string) string { return "/dwelling/" + url.PathEscape(id) }
func eventPath(id string) string    { return "/event/" + url.PathEscape(id) }

// namedClocks is how many nodes whose clocks are wrong a notice names.
const namedClocks = 3

// words says which clocks are wrong; there is one.
func (k *Clocks) words() string {
	if k.Own {
		return "All nodes' clocks are off by the same time: is it this machine's clock that is wrong?"
	}
	var names []string
	for _, w := range k.Wrong[:min(len(k.Wrong), namedClocks)] {
		names = append(names, w.Dwelling+"/"+w.Node)
	}
	s := strings.Join(names, ", ")
	if more := len(k.Wrong) - len(names); more > 0 {
		s += " and " + count(more, "more node")
	}
	verb := "clocks are"
	if len(k.Wrong) == 1 {
		verb = "clock is"
	}
	return fmt.Sprintf("The %s wrong at %s, and so are the times of what was stamped there. The page of the dwelling and the command clocks say by how much.", verb, s)
}
