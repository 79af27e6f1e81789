package main

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"greywatt/firmware-notes/node/internal/buffer"
	"greywatt/firmware-notes/node/internal/senml"
	"greywatt/ingest/broker"
	"greywatt/ingest/files"
	"greywatt/ingest/payload"
)

func readNotes(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../node.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

var consoleBlock = regexp.MustCompile("(?s)```console\n(.*?)```\n")

// The session in node.md, run in a folder like a checkout's root, writes what it
// shows.
func TestSession(t *testing.T) {
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	bin := filepath.Join(dir, "bin")
	build := exec.Command("go", "build", "-o", bin+string(filepath.Separator), "greywatt/firmware-notes/node", "greywatt/cmd/greywatt")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if err := os.CopyFS(filepath.Join(dir, "testdata"), os.DirFS(filepath.Join(root, "testdata"))); err != nil {
		t.Fatal(err)
	}
	blocks := consoleBlock.FindAllStringSubmatch(readNotes(t), -1)
	if len(blocks) == 0 {
		t.Fatal("no session in node.md")
	}
	took := regexp.MustCompile(`in \d+\.\d s`)
	for _, block := range blocks {
		var got strings.Builder
		for line := range strings.Lines(block[1]) {
			command, ok := strings.CutPrefix(line, "$ ")
			if !ok {
				continue
			}
			got.WriteString(line)
			command = strings.ReplaceAll(command, "go run ./firmware-notes/", bin+"/")
			command = strings.ReplaceAll(command, "go run ./cmd/", bin+"/")
			sh := exec.Command("sh", "-c", command)
			sh.Dir = dir
			out, err := sh.CombinedOutput()
			if err != nil {
				t.Errorf("%s: %v", strings.TrimSpace(line), err)
			}
			got.Write(took.ReplaceAll(out, []byte("in 1.5 s")))
		}
		if got.String() != block[1] {
			t.Errorf("node.md shows\n%s\nand the commands write\n%s", block[1], got.String())
		}
	}
}

// The power budget: each product and the sum, as rounded there.
func TestBatteryTable(t *testing.T) {
	row := regexp.MustCompile(`(?m)^\| ([^|]+) \| ([\d.]+) \| (\d+) \| ([\d.]+) \|$`)
	rows := row.FindAllStringSubmatch(readNotes(t), -1)
	if len(rows) != 7 {
		t.Fatalf("%d rows with a current, want 7", len(rows))
	}
	var sum float64
	awake := 0.0
	for _, r := range rows {
		mA, s, mAh := number(t, r[2]), number(t, r[3]), number(t, r[4])
		if math.Abs(mA*s/3600-mAh) > 0.005 {
			t.Errorf("%s: %v mA · %v s = %.4f mAh, not %v", r[1], mA, s, mA*s/3600, mAh)
		}
		sum += mA * s / 3600
		if strings.HasPrefix(r[1], "board ") {
			awake += s
		}
	}
	if awake != 24*3600 {
		t.Errorf("the board's states last %v s, want a day", awake)
	}
	for _, want := range []string{
		fmt.Sprintf("| **sum** | | | %.2f |", sum),
		fmt.Sprintf("10 400 mAh, %.0f days", 10400/sum),
		fmt.Sprintf("the sum %.2f, and %.0f days", sum-26.25+2, 10400/(sum-26.25+2)),
	} {
		wantInNotes(t, want)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	f, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// wantInNotes looks for a text in node.md, however its lines are broken.
func wantInNotes(t *testing.T, want string) {
	t.Helper()
	if !strings.Contains(strings.Join(strings.Fields(readNotes(t)), " "), want) {
		t.Errorf("node.md does not say %q", want)
	}
}

// What node.md says of sizes, from the node's own frames and packs, and the
// arithmetic of its section on flash.
func TestSizes(t *testing.T) {
	flat := newFlat(1)
	var frames []senml.Frame
	for i := range int64(20) {
		v, err := flat.read(time.Minute + time.Duration(i)*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		frames = append(frames, senml.FrameOf(arrival.UnixMilli()+1000*i, v))
	}
	record := float64(buffer.Overhead + len(frames[0].AppendRecord(nil)))
	kB := func(f senml.Format) float64 { return float64(len(f.Append(nil, "larch-04/n1/", frames))) / 1000 }
	const fast, rest = 2700.0, 1395.0 // frames a day
	perDay := (fast + rest) * record
	flushes := (fast/20 + rest) * 16 / 1024 // MiB a day
	for _, want := range []string{
		fmt.Sprintf("a frame of six channels takes %.0f bytes in the buffer; a pack of 20 frames %.1f kB in JSON, %.1f kB in CBOR", record, kB(senml.JSON), kB(senml.CBOR)),
		fmt.Sprintf("2700 + 1395 = %.0f frames, %.0f kB: %.0f days in 4 MiB, %.0f days in 64 MiB", fast+rest, perDay/1000, float64(4<<20)/perDay, float64(64<<20)/perDay),
		fmt.Sprintf("files of 64 KiB are removed whole. After a restart up to one of them (%.0f frames)", math.Floor(segmentBytes/record)),
		fmt.Sprintf("160 kB a day fill %.0f sectors", perDay/4096),
		fmt.Sprintf("erased once in %.0f days, and lasts %.0f00 years", float64(4<<20)/perDay, 100_000*float64(4<<20)/perDay/365/100),
		fmt.Sprintf("wears out its sector in %.0f days", 100_000/(fast+rest)),
		fmt.Sprintf("are %.0f MiB a day, %.1f GiB a year", flushes, flushes*365/1024),
		fmt.Sprintf("%.0f years (C). Cheap cards", 4e9*1000/4/(flushes*(1<<20)*365)),
	} {
		wantInNotes(t, want)
	}
}

// The limits of a pack in README.md are those of broker and decoder.
func TestLimits(t *testing.T) {
	text, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		fmt.Sprintf("At most %d MiB a pack over MQTT", broker.DefaultMaxPacket>>20),
		fmt.Sprintf("files at most %d MiB a line", files.MaxLine>>20),
	} {
		if !strings.Contains(strings.Join(strings.Fields(string(text)), " "), want) {
			t.Errorf("README.md does not say %q", want)
		}
	}
	if strings.Contains(string(text), "Ids: 1 to 128 of") != (payload.CheckID(strings.Repeat("a", 128)) == nil && payload.CheckID(strings.Repeat("a", 129)) != nil) {
		t.Error("README.md is wrong about the length of ids")
	}
	if payload.MaxRecords != 1_000_000 {
		t.Errorf("a pack may hold %d records; README.md says a million", payload.MaxRecords)
	}
}

// The table of fitting.md on connections, from the heat balances of mixer and
// exchanger. The waste gives up a share of what it could: 0.5 at equal flows,
// and 0.81 and 0.88 of that in B and C, where the mains side carries less; these
// two factors are those of the reference code. Preheated water and hot flow of B
// depend on each other and are iterated.
func TestConnectionTable(t *testing.T) {
	const mains, head, hot, drain, shower, share = 10.0, 41.0, 55.0, 35.0, 9.0, 0.5
	hotFlow := func(cold float64) float64 { return shower * (head - cold) / (hot - cold) }
	none := hotFlow(mains)
	a := mains + share*(drain-mains)
	b := mains
	for range 200 {
		through := shower - hotFlow(b) // the mixer's cold side
		b += 0.5 * (mains + 0.81*share*(drain-mains)*shower/through - b)
	}
	c := mains + 0.88*share*(drain-mains)*shower/none
	text, err := os.ReadFile("../fitting.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		fmt.Sprintf("| none | - | %.2f |", none),
		fmt.Sprintf("| A | %.1f | %.2f |", a, hotFlow(a)),
		fmt.Sprintf("| B | %.1f | %.2f |", b, hotFlow(b)),
		fmt.Sprintf("| C | %.1f | %.2f, ", c, none),
	} {
		if !strings.Contains(string(text), want) {
			t.Errorf("fitting.md does not say %q", want)
		}
	}
}
