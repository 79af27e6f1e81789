package ingesttest

import (
	"fmt"
	"math/rand/v2"
	"net"
	"testing"
)

// FreeAddr returns a loopback address for a server that is started, or started again,
// later. Its port is below those that systems give to outgoing connections, one of
// which could take it meanwhile.
func FreeAddr(t testing.TB) string {
	t.Helper()
	for range 100 {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 12_000+rand.IntN(18_000)))
		if err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
	t.Fatal("no port is free")
	return ""
}
