package main

import (
	"testing"

	"greywatt/ingest"
	"greywatt/ingest/store"
)

// stored returns what a data folder has of each node, once nothing in it is
// damaged.
func stored(t *testing.T, data string) []ingest.NodeSummary {
	t.Helper()
	st, err := store.Open(data, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	return soundNodes(t, st)
}

func soundNodes(t *testing.T, st *store.Store) []ingest.NodeSummary {
	t.Helper()
	if damage, err := st.Check(t.Context()); err != nil || len(damage) > 0 {
		t.Fatalf("the store is damaged: %v, %v", damage, err)
	}
	nodes, err := st.Nodes(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return nodes
}
