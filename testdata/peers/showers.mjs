// Writes the showers of showers.sql in the file of readings given, CSV or Parquet, as
// dwelling,began,ended to standard output. It runs on one thread, as it is compared by
// the processor time.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";

const [modules, file] = process.argv.slice(2);
const { DuckDBInstance } = createRequire(modules + "/")("@duckdb/node-api");
const db = await (await DuckDBInstance.create(":memory:", { threads: "1" })).connect();
const quoted = "'" + file.replaceAll("'", "''") + "'";
const reader = file.endsWith(".parquet") ? "read_parquet" : "read_csv";
await db.run("SET TimeZone = 'UTC'");
await db.run(`CREATE VIEW readings AS SELECT * FROM ${reader}(${quoted})`);
const found = await db.runAndReadAll(readFileSync(new URL("showers.sql", import.meta.url), "utf8"));
for (const row of found.getRows()) console.log(row.join(","));
