package live

import (
	"net/http"
	"net/url"

	"github.com/skip2/go-qrcode"
)

// abroad returns the addresses that other machines can open.
func (p *Page) abroad() (urls []string) {
	for _, a := range p.cfg.Addresses {
		if u, err := url.Parse(a); err == nil && !here(u.Host) {
			urls = append(urls, a)
		}
	}
	return urls
}

// phone shows how to open the page on a telephone: the address, as a code too, and
// what is missing.
func (p *Page) phone(w http.ResponseWriter, r *http.Request) error {
	data := struct {
		frame
		URLs    []string
		Missing []string
	}{frame: p.frame(r, "On a phone"), URLs: p.abroad()}
	if len(data.URLs) == 0 {
		data.Missing = append(data.Missing, "This page answers on this machine only. Start the logger with --http :8443, so that it answers in its network.")
	}
	if p.access.open {
		data.Missing = append(data.Missing, "Beyond this machine it wants users: greywatt users add NAME --engineer --users users.txt, then --http-users users.txt.")
	}
	if r.TLS == nil {
		data.Missing = append(data.Missing, "Without TLS, passwords cross the network in clear: --http-cert and --http-key give it a certificate.")
	}
	return render(w, http.StatusOK, "phone", &data)
}

// codeSize is the width of the code's picture, px.
const codeSize = 296

func (p *Page) phoneCode(w http.ResponseWriter, r *http.Request) error {
	urls := p.abroad()
	if len(urls) == 0 {
		return p.noPage(w, r)
	}
	png, err := qrcode.Encode(urls[0], qrcode.Medium, codeSize)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/png")
	w.Write(png)
	return nil
}
