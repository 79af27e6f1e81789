package logger

import (
	"fmt"
	"io"
	"net"
	"net/netip"
	"slices"

	"github.com/skip2/go-qrcode"
)

// addresses returns where a page that listens at an address is to be reached, the
// likeliest first: private IPv4 before all else. ifaces are the addresses of the
// machine's networks.
func addresses(listening netip.AddrPort, ifaces []net.Addr, scheme string) (urls []string) {
	url := func(ip netip.Addr) string {
		return scheme + "://" + netip.AddrPortFrom(ip, listening.Port()).String()
	}
	at := listening.Addr().Unmap()
	if !at.IsUnspecified() {
		return []string{url(at)}
	}
	rank := func(ip netip.Addr) int {
		switch {
		case ip.Is4() && ip.IsPrivate():
			return 0
		case ip.Is4():
			return 1
		}
		return 2
	}
	var ips []netip.Addr
	for _, a := range ifaces {
		p, err := netip.ParsePrefix(a.String())
		if err != nil {
			continue
		}
		ip := p.Addr().Unmap()
		if ip.IsLoopback() || ip.IsLinkLocalUnicast() || ip.IsMulticast() || at.Is4() && ip.Is6() {
			continue
		}
		ips = append(ips, ip)
	}
	slices.SortStableFunc(ips, func(a, b netip.Addr) int { return rank(a) - rank(b) })
	for _, ip := range ips {
		urls = append(urls, url(ip))
	}
	return urls
}

// writeCode writes an address as a code for a telephone's camera, for a terminal
// with dark ground.
func writeCode(w io.Writer, url string) error {
	code, err := qrcode.New(url, qrcode.Medium)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "%s%s\n", code.ToSmallString(false), url)
	return err
}
