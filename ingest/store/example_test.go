package store_test

import (
	"context"
	"fmt"
	"log"
	"os"

	"greywatt"
	"greywatt/ingest/store"
)

func Example() {
	dir, err := os.MkdirTemp("", "greywatt")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer s.Close()

	ctx := context.Background()
	at := greywatt.InstantOfUnix(1_767_225_600)
	readings := []greywatt.Reading{
		{Dwelling: "larch-04", Node: "n1", Channel: greywatt.ColdIn, At: at, Value: 9.25},
		{Dwelling: "larch-04", Node: "n1", Channel: greywatt.PreheatOut, At: at, Value: 22.5},
	}
	for range 2 { // a node that saw no acknowledgement sends again
		counts, err := s.Append(ctx, readings)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%+v\n", counts)
	}
	for frames, err := range s.Frames(ctx, "larch-04", 0, 0) {
		if err != nil {
			log.Fatal(err)
		}
		for _, f := range frames {
			fmt.Println(f.At, f.Node, f.Value[greywatt.PreheatOut])
		}
	}
	// Output:
	// {New:2 Duplicate:0 Conflict:0 Rejected:0}
	// {New:0 Duplicate:2 Conflict:0 Rejected:0}
	// 2026-01-01T00:00:00Z n1 22.5
}
