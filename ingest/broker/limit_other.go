//go:build !unix

package broker

func maxConnections() int { return maxClients + maxStrangers }
