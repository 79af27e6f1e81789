package site

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"

	"github.com/spf13/pflag"

	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/pseudonym"
)

// KeyFileName is where the key for pseudonyms is in the data folder.
const KeyFileName = "pseudonyms.key"

// KeyFlag names the file with the key for pseudonyms.
type KeyFlag struct{ File string }

func (f *KeyFlag) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&f.File, "key-file", "", "`FILE` with the key for pseudonyms, made where it is not there (default "+KeyFileName+" in the data folder)")
}

// Read returns the key for pseudonyms. Where there is none it makes one and
// keeps it in the file.
func (f *KeyFlag) Read(ctx context.Context, con *cli.Console, dir string, from FrameSource, ids []string) (pseudonym.Key, error) {
	file := f.File
	if file == "" {
		file = filepath.Join(dir, KeyFileName)
	}
	key, err := pseudonym.ReadKey(file)
	if err == nil {
		if info, err := os.Stat(file); err == nil && runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0 {
			fmt.Fprintf(con.Err, "%s: others than its owner may read the key: chmod 600 it\n", file)
		}
		return key, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return key, err
	}
	if key, err = MakeKey(ctx, from, ids); err != nil {
		return key, err
	}
	switch err := key.Write(file); {
	case err != nil && f.File != "":
		return key, err
	case err != nil:
		fmt.Fprintf(con.Err, "pseudonyms: the key could not be kept, so that they may be others next time: %v\n", err)
	case f.File != "":
		fmt.Fprintf(con.Err, "%s: a new key; keep it, and apart from what is published\n", file)
	}
	return key, nil
}

// enoughFrames is from how many frames a key may be made: the noise of the last
// digit alone, a bit a frame, is then far more than the 256 bits of a key.
const enoughFrames = 1000

// MakeKey makes a key of all readings of the dwellings, so that copies of one
// data folder come to the same key and nobody without all the readings can guess
// it; of chance where there are too few.
func MakeKey(ctx context.Context, from FrameSource, ids []string) (pseudonym.Key, error) {
	sum := sha256.New()
	frames := 0
	var line []byte
	for _, id := range ids {
		fmt.Fprintf(sum, "%q\n", id)
		for batch, err := range from.Frames(ctx, id, 0, 0) {
			if ctx.Err() != nil {
				return pseudonym.Key{}, ctx.Err()
			}
			if err != nil {
				continue // damaged blocks are reported where they are analysed
			}
			for i := range batch {
				f := &batch[i]
				line = binary.BigEndian.AppendUint64(line[:0], uint64(f.At))
				for _, v := range f.Value {
					if !math.IsNaN(v) {
						line = binary.BigEndian.AppendUint64(line, math.Float64bits(v))
					}
					line = append(line, ',')
				}
				line = append(append(line, f.Node...), '\n')
				sum.Write(line)
			}
			frames += len(batch)
		}
	}
	key := pseudonym.Key(sum.Sum(nil))
	if frames < enoughFrames {
		rand.Read(key[:])
	}
	return key, ctx.Err()
}
