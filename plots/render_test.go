package plots

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

var renderTo = flag.String("charts", "", "write the charts of the tests into this `directory`, to look at")

// sizes are those the charts are tested at: a desktop page, a wide one, a
// report's column and a phone.
var sizes = map[string][2]int{"page": {900, 600}, "wide": {1280, 640}, "column": {620, 460}, "phone": {390, 520}}

// TestMain writes every chart at every size where -charts asks for it, then runs
// the tests.
func TestMain(m *testing.M) {
	flag.Parse()
	if *renderTo != "" {
		if err := renderAll(*renderTo); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

func renderAll(dir string) error {
	var errs []error
	write := func(name string, o Output, render renderer) {
		for _, o.Format = range []Format{SVG, PNG, PDF} {
			var b bytes.Buffer
			if err := render(&b, o); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", name, err))
				continue
			}
			errs = append(errs, os.WriteFile(filepath.Join(dir, name+"."+string(o.Format)), b.Bytes(), 0o644))
		}
	}
	for size, wh := range sizes {
		o := Output{Width: wh[0], Height: wh[1]}
		o.Dark = size == "column"
		for name, e := range cases() {
			write("event-"+name+"-"+size, o, func(w io.Writer, o Output) error { return Write(w, o, e) })
		}
		for name, tr := range trends() {
			write("trend-"+name+"-"+size, o, func(w io.Writer, o Output) error { return Write(w, o, tr) })
		}
	}
	e, tr := cases()["shower"], trends()["fouling"]
	o := Output{Dark: true}
	write("event-dark", o, func(w io.Writer, o Output) error { return Write(w, o, e) })
	write("trend-dark", o, func(w io.Writer, o Output) error { return Write(w, o, tr) })
	for _, n := range []int{1, 6, 60, 200} {
		write(fmt.Sprintf("overview-%d", n), Output{}, func(w io.Writer, o Output) error { return Write(w, o, street(n)) })
		write(fmt.Sprintf("distribution-%d", n), Output{}, func(w io.Writer, o Output) error { return Write(w, o, spreadOf(n)) })
	}
	write("overview-phone", Output{Width: 390}, func(w io.Writer, o Output) error { return Write(w, o, street(12)) })
	write("season", Output{}, func(w io.Writer, o Output) error { return Write(w, o, year()) })
	write("season-phone", Output{Width: 390, Height: 460, Dark: true}, func(w io.Writer, o Output) error { return Write(w, o, year()) })
	write("sparkline", Output{Density: 4}, func(w io.Writer, o Output) error {
		return Write(w, o, Sparkline{Name: "a", Points: trends()["fouling"].Points, Threshold: 0.88})
	})
	write("distribution-phone", Output{Width: 358}, func(w io.Writer, o Output) error { return Write(w, o, spreadOf(20)) })
	write("sheet", Output{}, func(w io.Writer, o Output) error { return Write(w, o, sheet()) })
	return errors.Join(errs...)
}
