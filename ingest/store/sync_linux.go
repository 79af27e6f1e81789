package store

import (
	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// SQLite in C uses fdatasync wherever there is one; this translation of it, which
// was configured for no system, only when told to. Both write data and size; fsync
// also the file's times, on ext4 through its journal.
func init() {
	tls := libc.NewTLS()
	defer tls.Close()
	sqlite3.Xmodernc_fdatasync(tls, 1)
}
