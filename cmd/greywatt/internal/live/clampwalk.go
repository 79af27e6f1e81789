package live

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/plots/wording"
)

// A hand warms a clamp by several kelvins in half a minute: the one that rises by
// walkRiseK, and by walkTimes what any other does, is the one that is held. Both are
// this project's choice.
const (
	walkRiseK  = 2.0
	walkTimes  = 2.0
	walkEveryS = 4
)

// held returns the port whose clamp is held, from what the four have risen by, K;
// ok is false while that cannot be told.
func held(rise [greywatt.NumPorts]float64) (c greywatt.Channel, ok bool) {
	for port := range greywatt.Channel(greywatt.NumPorts) {
		if finite(rise[port]) && (!finite(rise[c]) || rise[port] > rise[c]) {
			c = port
		}
	}
	if !(rise[c] >= walkRiseK) {
		return 0, false
	}
	for port, r := range rise {
		if greywatt.Channel(port) != c && finite(r) && r*walkTimes > rise[c] {
			return 0, false
		}
	}
	return c, true
}

// clampWalk tells the clamps apart: one after the other is held in a hand, and the
// page says which channel rises. What has been seen so far stands in the address, so
// that it needs no script and survives a reload.
func (p *Page) clampWalk(w http.ResponseWriter, r *http.Request) error {
	d, err := p.find(r)
	if err != nil {
		return err
	}
	query := r.URL.Query()
	var seen []string
	if s := query.Get("seen"); s != "" {
		seen = strings.Split(s, ",")
	}
	base := dwellingPath(d.ID) + "/clamps"
	data := struct {
		frame
		ID, Back, Ask, Found, Next, Skip, Begin, Note string
		Rises                                         []figureOf
		Results, Cautions                             []string
		Crossed                                       bool
	}{frame: p.frame(r, "Clamp walk of "+d.ID), ID: d.ID, Back: dwellingPath(d.ID), Cautions: []string{cautionHot, cautionElectric}}

	d.mu.Lock()
	var now [greywatt.NumPorts]float64
	for c := range now {
		now[c] = d.present.value(greywatt.Channel(c))
	}
	d.mu.Unlock()
	start := func(seen []string) string {
		var from []string
		for _, v := range now {
			from = append(from, strconv.FormatFloat(v, 'f', 2, 64))
		}
		return base + "?" + url.Values{"from": {strings.Join(from, ",")}, "seen": {strings.Join(seen, ",")}}.Encode()
	}
	var words []string
	for i, s := range seen {
		if i >= greywatt.NumPorts {
			break
		}
		want := greywatt.Channel(i)
		switch got, ok := greywatt.ParseChannel(s); {
		case !ok:
			words = append(words, fmt.Sprintf("%s: not told", channelWords[want]))
		case got == want:
			words = append(words, fmt.Sprintf("%s: right", channelWords[want]))
		default:
			data.Crossed = true
			words = append(words, fmt.Sprintf("%s: its clamp reports as %s", channelWords[want], wording.Plain(got.String())))
		}
	}
	data.Results = words
	from := strings.Split(query.Get("from"), ",")
	switch {
	case len(seen) >= greywatt.NumPorts:
		data.Note = dwellingPath(d.ID) + "/note?" + url.Values{"kind": {string(greywatt.FactNote)}, "text": {"clamp walk: " + strings.Join(words, "; ")}}.Encode()
	case len(from) != greywatt.NumPorts:
		data.Begin = start(seen)
	default:
		var rise [greywatt.NumPorts]float64
		for c := range rise {
			was, err := strconv.ParseFloat(from[c], 64)
			if err != nil {
				was = math.NaN()
			}
			rise[c] = now[c] - was
			data.Rises = append(data.Rises, figureOf{Caption: channelWords[c], Value: kelvin(rise[c])})
		}
		want := greywatt.Channel(len(seen))
		data.Ask = fmt.Sprintf("Hold the clamp of %s in your hand, for half a minute.", wording.Plain(want.String()))
		if got, ok := held(rise); ok {
			data.Found = fmt.Sprintf("%s rises: that clamp is right.", channelWords[got])
			if got != want {
				data.Crossed = true
				data.Found = fmt.Sprintf("%s rises, not %s: the clamps, or their names, are in each other’s place.", channelWords[got], wording.Plain(want.String()))
			}
			data.Next = start(append(seen[:len(seen):len(seen)], got.String()))
		} else {
			data.Again = walkEveryS
			data.Skip = start(append(seen[:len(seen):len(seen)], "-"))
		}
	}
	return render(w, http.StatusOK, "clamps", &data)
}
