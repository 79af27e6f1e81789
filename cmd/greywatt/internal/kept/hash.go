package kept

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"math"
	"os"
	"runtime"
	"runtime/debug"

	"greywatt"
	"greywatt/analysis"
	"greywatt/ingest/store"
)

// build is the hash of all that the program's figures depend on: how it was made,
// and where the source was not that of a revision, the program's file as it is.
func build() Hash {
	h := sha256.New()
	fmt.Fprintln(h, analysis.MethodVersion, runtime.GOOS, runtime.GOARCH)
	made := map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		fmt.Fprintln(h, info)
		for _, s := range info.Settings {
			made[s.Key] = s.Value
		}
	}
	if made["vcs.revision"] == "" || made["vcs.modified"] != "false" {
		name, err := os.Executable()
		if err == nil {
			var file fs.FileInfo
			if file, err = os.Stat(name); err == nil {
				fmt.Fprintln(h, file.Size(), file.ModTime().UnixNano())
			}
		}
		if err != nil { // not known: like no other
			fmt.Fprintln(h, rand.Text())
		}
	}
	var of Hash
	h.Sum(of[:0])
	return of
}

// hash returns that of a piece's frames as they are now, and whether all could be
// read.
func (w *walk) hash(p *Piece) (of Hash, sound bool, err error) {
	h := w.hasher()
	damaged, err := analysis.Each(w.from.Frames(w.ctx, w.d.ID, p.From, p.To), func(frames []greywatt.Frame) error {
		h.add(frames)
		return nil
	})
	if err := errors.Join(err, w.ctx.Err()); err != nil {
		return of, false, err
	}
	return h.sum(), len(damaged) == 0, nil
}

func heldOf(all []store.Fingerprint) (of Hash) {
	h := sha256.New()
	for i := range all {
		h.Write(all[i][:])
	}
	h.Sum(of[:0])
	return of
}

// settings is the hash of all that the study says of a dwelling that may show in the
// stretch from from to to.
func settings(d *greywatt.Dwelling, from, to greywatt.Instant) Hash {
	now := *d.At(from)
	now.Cleaned, now.Breaks, now.Versions, now.LeftOut = nil, nil, nil, nil // of what is made of events, or below
	h := sha256.New()
	fmt.Fprintf(h, "%+v\n", now) // figures that are not stated are NaN, which as text are alike
	for _, v := range d.Versions {
		if v.From > from && v.From < to {
			fmt.Fprintf(h, "from %+v\n", v)
		}
	}
	for _, p := range d.LeftOut {
		if p.From <= to && p.To >= from {
			fmt.Fprintf(h, "left out %d %d\n", p.From, p.To)
		}
	}
	var of Hash
	h.Sum(of[:0])
	return of
}

// A hasher makes the hash of frames.
type hasher struct {
	h       hash.Hash
	frames  int
	damaged bool // there are some that cannot be read
	buf     []byte
}

// hasher returns the walk's, begun anew.
func (w *walk) hasher() *hasher {
	if w.hashes == nil {
		w.hashes = &hasher{h: sha256.New()}
	}
	w.hashes.h.Reset()
	w.hashes.frames, w.hashes.damaged = 0, false
	return w.hashes
}

func (h *hasher) add(frames []greywatt.Frame) {
	b := h.buf[:0]
	for i := range frames {
		f := &frames[i]
		b = binary.AppendUvarint(b, uint64(len(f.Node)))
		b = append(b, f.Node...)
		b = binary.BigEndian.AppendUint64(b, uint64(f.At))
		known, at := byte(0), len(b)
		b = append(b, 0)
		for c, v := range f.Value {
			if v == v {
				known |= 1 << c
				b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
			}
		}
		b[at] = known
	}
	h.buf = b
	h.h.Write(b)
	h.frames += len(frames)
}

func (h *hasher) sum() (of Hash) {
	h.h.Sum(of[:0])
	return of
}
