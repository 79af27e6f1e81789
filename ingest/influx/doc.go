// Package influx keeps readings in InfluxDB: as a mirror of a store that is
// elsewhere ([Mirror]), or as the store itself ([DB]).
//
// It writes with the client library's blocking call and looks at every answer.
// The library's asynchronous writer is not used: it keeps ten batches, drops the
// oldest in silence when an outage lasts longer, and takes an answer that tells
// of a partial write for success. Here nothing counts as written before the
// server said so for all of it, and what waits meanwhile stays where it is
// durable: in the embedded store for a mirror, with the MQTT broker or the node
// for the store itself.
//
// What a server refuses is distinguished by what must change. No answer, or that
// of an overloaded server: the same request later. A refused token, a missing
// bucket: the operator, and until then everything waits. A reading that the
// server will not have, such as one whose field has another type there: it is
// found by halving the request and rejected by name, and its neighbours are
// written. See [Class].
//
// Points are idempotent: the same reading written twice is one. A server
// overwrites a value with a later one for the same instant, while this project
// keeps the first; so [DB.Append] looks for what is there before it writes.
//
// The layout on the server is in README.md beside this file. Tests run against
// InfluxDB 1.8.10, whose v2 API is used; 2.x has the same calls. 3.x takes the
// writes but has no Flux, so it can be a mirror and not the store.
package influx
