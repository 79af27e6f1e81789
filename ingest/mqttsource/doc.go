// Package mqttsource brings readings from MQTT to disk, and acknowledges a
// message only when its readings are there.
//
// A [Committer] takes messages from whoever receives them, decodes them, and
// writes what is in them in groups: one commit for all that came within a fifth
// of a second, so that a slow disk sees few flushes and a flood makes the groups
// larger instead of the queue longer. What it holds is bounded; whoever offers
// more is made to wait, then turned away. While the disk fails nothing is
// acknowledged and the commit is tried again for ever.
//
// A [Source] is the subscriber to an external broker: persistent session, QoS 1,
// a stable client id, so that the broker keeps what is published while the
// logger is away, and sends again what was not acknowledged. The embedded
// broker of package broker feeds a Committer without a Source.
//
// Messages come at least once, never lost and sometimes twice; the store below
// knows a reading that it has already. A message that cannot be used is set
// aside on disk with the reason and then acknowledged, so that it cannot jam the
// queue. The package knows neither how readings are stored nor what they mean.
package mqttsource
