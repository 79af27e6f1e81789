package store

import (
	"fmt"

	"zombiezen.com/go/sqlite"
	"zombiezen.com/go/sqlite/sqlitex"
)

// applicationID marks the file as ours: "gwat" in ASCII.
const applicationID = 0x67776174

// migrations bring a file from user_version i to i+1. They only ever grow:
// files of every version are out there.
var migrations = []string{schemaV1, schemaV2}

// oldestRead is the oldest format that is read as it is, without being brought up
// to date: what later ones add, its readers can do without.
const oldestRead = 1

// Columns without a declared type keep a REAL a REAL: with INTEGER affinity
// SQLite would turn 21.0 into the integer 21, which here means 0.0021.
const schemaV1 = `
CREATE TABLE dwelling (
	id INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE
);
CREATE TABLE node (
	id INTEGER PRIMARY KEY,
	dwelling INTEGER NOT NULL REFERENCES dwelling (id),
	name TEXT NOT NULL,
	frames INTEGER NOT NULL DEFAULT 0,   -- stored instants, rows and blocks together
	readings INTEGER NOT NULL DEFAULT 0, -- stored values
	first_us INTEGER,                    -- earliest and latest instant; NULL without frames
	last_us INTEGER,
	conflicts INTEGER NOT NULL DEFAULT 0, -- readings refused because another value came first
	up INTEGER,                          -- 1 up, 0 down, NULL not known
	up_us INTEGER,                       -- since when that is known
	UNIQUE (dwelling, name)
);
-- Instants are microseconds since 1970-01-01T00:00:00Z. A value is NULL where
-- the node reported none, an INTEGER in ten-thousandths of a °C or l/s where
-- that gives back the very float that was reported, and else a REAL in °C or l/s.
CREATE TABLE frame (
	node INTEGER NOT NULL REFERENCES node (id),
	at_us INTEGER NOT NULL,
	waste_in, waste_out, cold_in, preheat_out, flow, ambient, waste_flow,
	PRIMARY KEY (node, at_us)
) WITHOUT ROWID;
CREATE TABLE block (
	id INTEGER PRIMARY KEY,
	node INTEGER NOT NULL REFERENCES node (id),
	first_us INTEGER NOT NULL, -- first and last instant in the block; a node's blocks do not overlap
	last_us INTEGER NOT NULL,
	frames INTEGER NOT NULL,
	data BLOB NOT NULL         -- see FORMAT.md
);
CREATE UNIQUE INDEX block_by_time ON block (node, first_us, last_us, frames);
CREATE TABLE conflict (
	id INTEGER PRIMARY KEY,
	node INTEGER NOT NULL REFERENCES node (id),
	at_us INTEGER NOT NULL,
	channel INTEGER NOT NULL, -- 0 waste-in, 1 waste-out, 2 cold-in, 3 preheat-out, 4 flow, 5 ambient, 6 waste-flow
	kept REAL NOT NULL,       -- the value that came first, °C or l/s
	refused REAL NOT NULL,
	UNIQUE (node, at_us, channel, refused)
);
CREATE TABLE refusal (
	id INTEGER PRIMARY KEY,
	hash INTEGER NOT NULL UNIQUE, -- of source, reason and record: the same refusal again is not counted
	dwelling TEXT NOT NULL,
	reason TEXT NOT NULL,
	source TEXT,                  -- this and the rest NULL once newer refusals need the room
	detail TEXT,
	record TEXT,
	at_us INTEGER
);
CREATE INDEX refusal_full ON refusal (id) WHERE source IS NOT NULL;
CREATE TABLE refusal_count (
	dwelling TEXT NOT NULL,
	reason TEXT NOT NULL,
	n INTEGER NOT NULL,
	PRIMARY KEY (dwelling, reason)
) WITHOUT ROWID;
-- Who copies this store elsewhere, and how far each has come in table change.
CREATE TABLE mirror (
	name TEXT PRIMARY KEY,
	seq INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE change (
	seq INTEGER PRIMARY KEY AUTOINCREMENT,
	node INTEGER NOT NULL REFERENCES node (id),
	data BLOB NOT NULL -- newly stored readings, laid out as in a block
);
CREATE TABLE note (
	dwelling TEXT NOT NULL, -- '' for the whole store
	key TEXT NOT NULL,
	value BLOB NOT NULL,
	PRIMARY KEY (dwelling, key)
) WITHOUT ROWID;
CREATE VIEW recent AS SELECT
	dwelling.name AS dwelling,
	node.name AS node,
	strftime('%Y-%m-%dT%H:%M:%S', at_us / 1000000, 'unixepoch') || printf('.%06dZ', at_us % 1000000) AS time,
	CASE typeof(waste_in) WHEN 'integer' THEN waste_in / 10000.0 ELSE waste_in END AS waste_in_c,
	CASE typeof(waste_out) WHEN 'integer' THEN waste_out / 10000.0 ELSE waste_out END AS waste_out_c,
	CASE typeof(cold_in) WHEN 'integer' THEN cold_in / 10000.0 ELSE cold_in END AS cold_in_c,
	CASE typeof(preheat_out) WHEN 'integer' THEN preheat_out / 10000.0 ELSE preheat_out END AS preheat_out_c,
	60 * CASE typeof(flow) WHEN 'integer' THEN flow / 10000.0 ELSE flow END AS flow_l_min,
	CASE typeof(ambient) WHEN 'integer' THEN ambient / 10000.0 ELSE ambient END AS ambient_c,
	60 * CASE typeof(waste_flow) WHEN 'integer' THEN waste_flow / 10000.0 ELSE waste_flow END AS waste_flow_l_min
FROM frame
JOIN node ON node.id = frame.node
JOIN dwelling ON dwelling.id = node.dwelling;
`

// Format 2 adds the quarantine.
const schemaV2 = `
-- Messages that were acknowledged and have records that cannot be stored yet.
CREATE TABLE quarantine (
	id INTEGER PRIMARY KEY,
	hash INTEGER NOT NULL UNIQUE, -- of topic, arrival and body: the same message is not kept twice
	dwelling TEXT NOT NULL,       -- of the first record that does not fit; '' where not known
	node TEXT NOT NULL,
	reason TEXT NOT NULL,         -- why it does not fit
	records INTEGER NOT NULL,     -- how many do not
	topic TEXT NOT NULL,
	at_us INTEGER NOT NULL,       -- arrival
	flags INTEGER NOT NULL,       -- 1: the broker had retained it; 2: names of another dwelling or node than the topic's do not count
	body BLOB NOT NULL            -- as it came
);
`

// checkVersion returns the file's schema version, 0 for a new file, and an
// error for files that this program must leave alone.
func checkVersion(c *sqlite.Conn) (int, error) {
	version, err := integer(c, "PRAGMA user_version")
	if err != nil {
		return 0, err
	}
	app, err := integer(c, "PRAGMA application_id")
	if err != nil {
		return 0, err
	}
	tables, err := integer(c, "SELECT count(*) FROM sqlite_schema")
	switch {
	case err != nil:
		return 0, err
	case app == 0 && version == 0 && tables == 0:
		return 0, nil
	case app != applicationID:
		return 0, fmt.Errorf("%w: it is some other program's SQLite file; name another data folder", ErrNotStore)
	case version > len(migrations):
		return 0, fmt.Errorf("%w: it has format %d and this program knows up to %d; use the newer program, or its export", ErrNewer, version, len(migrations))
	}
	return version, nil
}

// migrate brings the file to the newest version, each step in its own
// transaction.
func migrate(c *sqlite.Conn, version int, steps []string) error {
	for ; version < len(steps); version++ {
		script := fmt.Sprintf("%s;PRAGMA application_id = %d;PRAGMA user_version = %d;", steps[version], applicationID, version+1)
		if err := sqlitex.ExecScript(c, script); err != nil {
			return fmt.Errorf("to format %d: %w", version+1, err)
		}
	}
	return nil
}

func integer(c *sqlite.Conn, sql string) (int, error) {
	n := 0
	err := sqlitex.ExecuteTransient(c, sql, &sqlitex.ExecOptions{
		ResultFunc: func(r *sqlite.Stmt) error { n = r.ColumnInt(0); return nil },
	})
	return n, err
}
