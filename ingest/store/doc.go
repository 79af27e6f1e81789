// Package store is the embedded, durable log of a study: one SQLite file in a
// data folder, in which every reading is on disk before [Store.Append]
// returns, however late and however often it comes.
//
// It keeps readings and what an operator must know about them (records set
// aside, conflicts, which nodes are up); it does not interpret them, knows no
// study file and starts no goroutine. One process writes at a time, held to
// that by a lock file; others may read meanwhile. The file is opened in WAL
// mode with synchronous=FULL, so a commit survives the loss of power as far as
// the disk tells the truth about its flushes.
//
// # Shape
//
// A frame is all that one node reported for one instant. Frames live in two
// places. Runs of a node's frames are compressed blobs in table block, laid out
// byte by byte in FORMAT.md beside this file: small ones as they come, a pack
// each, until [Store.Seal] joins what has settled to some thousand frames. What
// comes in less than eight frames at a time is a row a frame in table frame, which
// any SQLite tool can read through the view recent, until Seal packs it too. A
// reading for a span that is sealed already becomes a row until the next Seal
// merges it; reading always sees both.
//
// The frames of a node in table block never overlap, and a row holds only
// channels that the block does not, so each reading is stored once.
package store
