//go:build linux

package store

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// A disk is an ext4 file system in an image file. What the kernel has not yet
// written out is not in the image, so that a copy of the image is the disk as it
// would be after the power went.
type disk struct{ image, dir string }

// mountDisk makes a disk, or mounts the one in the image if there is one.
func mountDisk(t *testing.T, image string) disk {
	t.Helper()
	if _, err := os.Stat(image); err != nil {
		f, err := os.Create(image)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := f.Truncate(96 << 20); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command("mkfs.ext4", "-q", image).CombinedOutput(); err != nil {
			t.Fatalf("mkfs.ext4: %v: %s", err, out)
		}
	}
	d := disk{image, image + ".mounted"}
	if err := os.MkdirAll(d.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-o", "loop", image, d.dir).CombinedOutput(); err != nil {
		t.Fatalf("mount: %v: %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", "-l", d.dir).Run() })
	return d
}

func (d disk) unmount(t *testing.T) {
	t.Helper()
	if out, err := exec.Command("umount", d.dir).CombinedOutput(); err != nil {
		t.Fatalf("umount: %v: %s", err, out)
	}
}

// written returns what the disk's device counts of writes.
func (d disk) written(t *testing.T) string {
	t.Helper()
	source, err := exec.Command("findmnt", "-n", "-o", "SOURCE", d.dir).Output()
	if err != nil {
		t.Fatal(err)
	}
	counts, err := os.ReadFile(filepath.Join("/sys/block", filepath.Base(strings.TrimSpace(string(source))), "stat"))
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(bytes.Fields(counts)[4:7]) // https://docs.kernel.org/block/stat.html: write I/Os, merges, sectors
}

// afterPowerLoss copies the image as it is at one moment and mounts the copy.
func (d disk) afterPowerLoss(t *testing.T, image string) disk {
	t.Helper()
	for {
		before := d.written(t)
		from, err := os.Open(d.image)
		if err != nil {
			t.Fatal(err)
		}
		to, err := os.Create(image)
		if err != nil {
			t.Fatal(err)
		}
		_, err = io.Copy(to, from)
		from.Close()
		if cerr := to.Close(); err != nil || cerr != nil {
			t.Fatal(err, cerr)
		}
		if d.written(t) == before { // else the kernel wrote while it was copied
			return mountDisk(t, image)
		}
	}
}

// lossesAStore is after how many losses a new store is begun: each compares all
// that is stored.
const lossesAStore = 20

// TestPowerLoss takes the power from under a process that appends and seals:
// all that was acknowledged is on the disk, each batch in whole or not at all,
// and the store is sound. What was written and not flushed is dropped, as a file
// beside the store shows; a disk that lies about its own flushes is not covered.
func TestPowerLoss(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("NOT TESTED: the loss of power wants a file system to mount, which only root can")
	}
	for _, tool := range []string{"mkfs.ext4", "mount", "findmnt"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("NOT TESTED: the loss of power wants %s", tool)
		}
	}
	if loops, _ := filepath.Glob("/dev/loop*"); len(loops) == 0 {
		t.Skip("NOT TESTED: the loss of power wants a loop device")
	}
	dir := t.TempDir()
	d := mountDisk(t, filepath.Join(dir, "disk"))
	var m model
	dropped := 0
	for round := range *rounds {
		name := fmt.Sprint("data-", round/lossesAStore)
		if round%lossesAStore == 0 {
			m = make(model)
		}
		acked := crashRound(t, filepath.Join(d.dir, name), 1+rand.IntN(60))
		beside := filepath.Join(d.dir, fmt.Sprint("unflushed-", round))
		if err := os.WriteFile(beside, []byte("not flushed"), 0o644); err != nil {
			t.Fatal(err)
		}
		lost := d.afterPowerLoss(t, filepath.Join(dir, "lost"))
		if text, _ := os.ReadFile(filepath.Join(lost.dir, filepath.Base(beside))); len(text) == 0 {
			dropped++
		}
		for _, seq := range acked {
			m.append(crashBatch(seq))
		}
		s, err := Open(filepath.Join(lost.dir, name), Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		// The batch under way may have become durable, in the copy and, when the
		// process goes on, where it was.
		have := modelOf(t, s)
		next := crashBatch(acked[len(acked)-1] + 1)
		if have.append(next).New == 0 {
			m.append(next)
		}
		compareAll(t, s, m)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		lost.unmount(t)
		if err := os.Remove(lost.image); err != nil {
			t.Fatal(err)
		}
		s, err = Open(filepath.Join(d.dir, name), Options{})
		if err != nil {
			t.Fatal(err)
		}
		have = modelOf(t, s)
		if have.append(next).New == 0 {
			m.append(next)
		}
		compareAll(t, s, m)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d losses of power; in %d of them what was not flushed was gone", *rounds, dropped)
	if dropped == 0 {
		t.Error("nothing that was not flushed was ever lost: nothing was shown")
	}
}
