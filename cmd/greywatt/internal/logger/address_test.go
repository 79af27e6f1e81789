package logger

import (
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
)

func TestAddresses(t *testing.T) {
	var ifaces []net.Addr
	for _, a := range []string{"127.0.0.1/8", "::1/128", "fe80::1/64", "2001:db8::7/64", "203.0.113.9/24", "192.168.1.5/24"} {
		ip, network, err := net.ParseCIDR(a)
		if err != nil {
			t.Fatal(err)
		}
		ifaces = append(ifaces, &net.IPNet{IP: ip, Mask: network.Mask})
	}
	for listening, want := range map[string][]string{
		"[::]:8443":         {"https://192.168.1.5:8443", "https://203.0.113.9:8443", "https://[2001:db8::7]:8443"},
		"0.0.0.0:8443":      {"https://192.168.1.5:8443", "https://203.0.113.9:8443"},
		"127.0.0.1:8080":    {"https://127.0.0.1:8080"},
		"192.168.1.5:1":     {"https://192.168.1.5:1"},
		"[2001:db8::7]:443": {"https://[2001:db8::7]:443"},
	} {
		if got := addresses(netip.MustParseAddrPort(listening), ifaces, "https"); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", listening, got, want)
		}
	}
}

// The code is a square of half blocks: a code of a short address has 25 or 29
// modules a side (ISO/IEC 18004, versions 2 and 3; from memory) and a border of 4.
func TestCode(t *testing.T) {
	var b strings.Builder
	if err := writeCode(&b, "https://192.168.1.5:8443"); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	if n := len([]rune(lines[0])); n != 25+8 && n != 29+8 {
		t.Errorf("%d modules wide", n)
	}
	if lines[len(lines)-1] != "https://192.168.1.5:8443" {
		t.Errorf("the address does not stand below its code: %q", lines[len(lines)-1])
	}
}
