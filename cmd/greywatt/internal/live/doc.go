// Package live is the page that a study is watched on: the dwellings at a
// glance, one dwelling with its water running, one event, and the
// records that were rejected. README.md in this folder says how it is meant to look.
//
// It stands beside the logger and never in its way. [Page.Committed] is called
// on the way of every reading; it copies into a buffer that is free or drops
// what it was given, and returns. What the page shows of the present comes from
// those copies; what it says of the past it reads from the store, where the
// analysis of each dwelling runs at its own pace and gives way to the logger.
//
// Everything is rendered here: html/template, charts by package plots, a stream
// of server-sent events for what changes, and one script and one style sheet
// that are part of the program. A browser is sent to no other host, and the
// page says what it knows without the script too.
//
// On loopback anyone may look. Beyond it a password is needed: see [Listen].
package live
