package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/spf13/pflag"
	"golang.org/x/sync/errgroup"

	"greywatt"
	"greywatt/analysis/simulate"
	"greywatt/cmd/greywatt/internal/cli"
	"greywatt/cmd/greywatt/internal/framefile"
	"greywatt/cmd/greywatt/internal/staging"
	"greywatt/plots/wording"
)

type simulateOptions struct {
	out       string
	preset    string
	format    string
	gzip      bool
	seed      uint64
	days      int
	dwellings int
	interval  float64
	now       func() time.Time
	until     greywatt.Instant // today's midnight, which no reading reaches
}

func simulateCommand() cli.Command {
	return cli.Command{
		Name:    "simulate",
		Example: "greywatt simulate --preset fouling --out street",
		Summary: "invent a study: its file, readings and the truth",
		About: `
Simulates dwellings and writes into a folder: study.toml, the readings of each
dwelling as the nodes would send them, truth.csv with what really happened, and
faults.csv with what is wrong, and since when. The same flags give the same
bytes. Each preset has its first day; of one that reaches beyond today, as demo
does with many days, only the days that are over are written, since an import
rejects readings from the future. The presets:

  demo       28 days of six dwellings of all three connections; one unit fouls
  accuracy   28 days of one healthy dwelling, for scoring
  season     one healthy dwelling over a year
  new-flat   21 days of one dwelling from its first: a valve left half open, a
             clamp whose offset is not known; the valve is closed on day 8
  slow-unit  one dwelling whose unit fouls, and is cleaned on day 92
  trial      a year of forty dwellings, with faults, gaps and drifting clamps
  fouling, step-loss, ... (any finding, or healthy)
             90 days of one dwelling with that fault
  clamp-drift, meter-drift, waste-meter-drift, bypass-sometimes, frozen-clamp,
  railed-clamp, missing-channel, resting-leak, shower-drip, tap-in-showers,
  hunting-mixer, silent-node, late-node, unknown-offsets, resumed-shower
             90 days of one dwelling with that hazard to the measurement
  cooling, warming, fouled-cooling, fouled-warming
             190 days of one dwelling while the mains cools or warms`,
		Codes: []int{cli.ExitInterrupted},
		Verb:  &simulateOptions{now: time.Now},
	}
}

func (o *simulateOptions) AddFlags(flags *pflag.FlagSet) {
	flags.StringVar(&o.out, "out", "", "the `DIR` to write into (required)")
	flags.StringVar(&o.preset, "preset", "demo", "`NAME` of what to simulate")
	flags.Uint64Var(&o.seed, "seed", 1, "the `NUMBER` that seeds all random values")
	flags.IntVar(&o.days, "days", 0, "`DAYS` to simulate; not for season, a fault, a hazard or a half-year (default as above)")
	flags.IntVar(&o.dwellings, "dwellings", 40, "`NUMBER` of dwellings, for trial")
	flags.Float64Var(&o.interval, "interval", 1, "`SECONDS` between readings while water runs, for trial")
	flags.StringVar(&o.format, "format", string(framefile.SenML), "`FORMAT` of the readings: senml or csv")
	flags.BoolVar(&o.gzip, "gzip", false, "compress the files of readings")
	cli.Choices(flags, "format", framefile.SenML, framefile.CSV)
	cli.Choices(flags, "preset", presetNames()...)
}

func (o *simulateOptions) Run(ctx context.Context, con *cli.Console, args []string) error {
	if err := cli.NoOperands(args); err != nil {
		return err
	}
	if o.out == "" {
		return cli.Usagef("say where to: --out DIR")
	}
	switch {
	case o.days < 0 || o.days > 3660:
		return cli.Usagef("--days %d: want 1 to 3660", o.days)
	case o.dwellings < 1 || o.dwellings > 10000:
		return cli.Usagef("--dwellings %d: want 1 to 10000", o.dwellings)
	case !(o.interval >= 0.5 && o.interval <= 10):
		return cli.Usagef("--interval %v: want 0.5 to 10 s", o.interval)
	}
	format := framefile.Format(o.format)
	if format != framefile.SenML && format != framefile.CSV {
		return cli.Usagef("--format %q: want senml or csv", o.format)
	}
	street, err := o.street()
	if err != nil {
		return err
	}
	today := o.now().In(street.Study.Location())
	o.until = greywatt.InstantOf(time.Date(today.Year(), today.Month(), today.Day(), 0, 0, 0, 0, today.Location()))
	over := o.daysOver(street)
	if over == 0 {
		return fmt.Errorf("the preset %s begins after today, which is %s by this machine's clock; set the clock, or choose another preset", o.preset, today.Format(time.DateOnly))
	}
	if fileExists(filepath.Join(o.out, "study.toml")) && !fileExists(filepath.Join(o.out, "truth.csv")) {
		return cli.Usagef("%s has a study.toml that simulate did not write; name another folder with --out", o.out)
	}
	stage, err := staging.In(o.out)
	if err != nil {
		return err
	}
	defer stage.Discard()
	if err := stage.Write("study.toml", func(w io.Writer) error { return simulate.WriteStudy(w, &street.Study) }); err != nil {
		return err
	}
	extension := "." + o.format
	if o.gzip {
		extension += ".gz"
	}
	truths, done, err := o.houses(ctx, con, street, extension)
	for _, s := range done {
		defer s.Discard()
	}
	if err != nil {
		return err
	}
	for _, s := range done {
		if err := s.Publish(); err != nil {
			return err
		}
	}
	if err := stage.Write("truth.csv", func(w io.Writer) error { return writeTruth(w, street, truths, o.until) }); err != nil {
		return err
	}
	if err := stage.Write("faults.csv", func(w io.Writer) error { return writeFaults(w, street, o.until) }); err != nil {
		return err
	}
	if err := stage.Publish(); err != nil {
		return err
	}
	if all := days(street); over < all {
		fmt.Fprintf(con.Err, "%s of %d: the others are not over yet\n", wording.Count(over, "day"), all)
	}
	_, err = fmt.Fprintf(con.Out, "%s: %s of %s\nNext: %s import --study %s --data DIR %s\n",
		o.out, wording.Count(over, "day"), wording.Count(len(street.Houses), "dwelling"), con.Name,
		filepath.Join(o.out, "study.toml"), filepath.Join(o.out, readingsGlob(street, o.format)+extension))
	return err
}

// readingsGlob matches the files of readings and none of those with the truth,
// which are CSV too.
func readingsGlob(street *simulate.Street, format string) string {
	if format != string(framefile.CSV) {
		return "*"
	}
	common := street.Houses[0].Dwelling.ID
	for _, h := range street.Houses {
		for !strings.HasPrefix(h.Dwelling.ID, common) {
			common = common[:len(common)-1]
		}
	}
	if len(street.Houses) > 1 {
		common += "*"
	}
	return common
}

// houses simulates the houses, as many at a time as there are processors, and
// returns what really happened in each and the finished files.
func (o *simulateOptions) houses(ctx context.Context, con *cli.Console, street *simulate.Street, extension string) ([]simulate.Truth, []*staging.Stage, error) {
	bar := con.Progress(int64(len(street.Houses)), "dwellings simulated")
	defer bar.Finish()
	truths := make([]simulate.Truth, len(street.Houses))
	done := make([]*staging.Stage, len(street.Houses))
	for i := range done {
		stage, err := staging.In(o.out)
		if err != nil {
			return nil, nil, err
		}
		done[i] = stage
	}
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, h := range street.Houses {
		group.Go(func() error {
			err := done[i].Write(h.Dwelling.ID+extension, func(w io.Writer) error {
				return o.writeHouse(ctx, w, h, &truths[i])
			})
			bar.Add(1)
			return err
		})
	}
	err := group.Wait()
	return truths, done, err
}

// street returns what the preset names.
func (o *simulateOptions) street() (*simulate.Street, error) {
	days := func(usual int) int { return cmp.Or(o.days, usual) }
	switch o.preset {
	case "demo":
		return simulate.Demo(o.seed, days(demoDays), demoZone()), nil
	case "accuracy":
		return simulate.Accuracy(o.seed, days(demoDays)), nil
	case "season":
		return simulate.Season(o.seed), nil
	case "new-flat":
		return simulate.NewFlat(o.seed, days(21), demoZone()), nil
	case "slow-unit":
		return simulate.SlowUnit(o.seed, days(120), demoZone()), nil
	case "trial":
		return simulate.Trial(o.seed, o.dwellings, days(365), o.interval, demoZone()), nil
	}
	if kind := simulate.FaultKind(o.preset); slices.Contains(simulate.FaultKinds, kind) {
		return simulate.Faulty(kind, o.seed), nil
	}
	if kind := simulate.HazardKind(o.preset); slices.Contains(simulate.HazardKinds, kind) {
		return simulate.Hazard(kind, o.seed), nil
	}
	name, fouled := strings.CutPrefix(o.preset, fouledPrefix)
	if course := simulate.Course(name); slices.Contains(simulate.Courses, course) {
		if fouled {
			return simulate.FouledHalfYear(course, o.seed), nil
		}
		return simulate.HalfYear(course, o.seed), nil
	}
	return nil, cli.Usagef("--preset %q: want one of %s", o.preset, strings.Join(presetNames(), ", "))
}

// fouledPrefix names the half-years of a unit that fouls.
const fouledPrefix = "fouled-"

func presetNames() []string {
	names := []string{"demo", "accuracy", "season", "new-flat", "slow-unit", "trial"}
	for _, kind := range simulate.FaultKinds {
		names = append(names, string(kind))
	}
	for _, kind := range simulate.HazardKinds {
		names = append(names, string(kind))
	}
	for _, prefix := range []string{"", fouledPrefix} {
		for _, course := range simulate.Courses {
			names = append(names, prefix+string(course))
		}
	}
	return names
}

// demoZone is where the demo's street lies: it has a summer time.
func demoZone() *time.Location {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic("greywatt: the time zone database is part of the program: " + err.Error())
	}
	return zone
}

func days(s *simulate.Street) int { return s.Houses[0].Days }

// daysOver returns how many of the days that the street was asked for are written.
func (o *simulateOptions) daysOver(s *simulate.Street) (n int) {
	from, to := s.Houses[0].Span()
	for zone := s.Study.Location(); n < days(s); n++ {
		end := greywatt.InstantOf(from.Time().In(zone).AddDate(0, 0, n+1))
		if min(end, to) > o.until {
			break
		}
	}
	return n
}

func (o *simulateOptions) writeHouse(ctx context.Context, w io.Writer, h *simulate.House, truth *simulate.Truth) error {
	if o.gzip {
		packed, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
		if err != nil {
			return err
		}
		if err := o.writeFrames(ctx, packed, h, truth); err != nil {
			return err
		}
		return packed.Close()
	}
	return o.writeFrames(ctx, w, h, truth)
}

func (o *simulateOptions) writeFrames(ctx context.Context, w io.Writer, h *simulate.House, truth *simulate.Truth) error {
	file, err := framefile.New(w, framefile.Format(o.format))
	if err != nil {
		return err
	}
	for frame := range h.Frames(truth) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if frame.At >= o.until {
			continue // the truth is whole only once the frames are used up
		}
		if err := file.Write(h.Dwelling.ID, &frame); err != nil {
			return err
		}
	}
	return file.Flush()
}

// writeTruth writes what happened, with the names of events.csv where the
// meaning is the same, of what is over before until.
func writeTruth(w io.Writer, s *simulate.Street, truths []simulate.Truth, until greywatt.Instant) error {
	if _, err := fmt.Fprintln(w, "dwelling,kind,start,end,running_s,volume_l,heat_kwh,measurable,steady_s,flow_l_min,waste_flow_l_min,"+
		"waste_in_c,waste_out_c,cold_in_c,preheat_out_c,effectiveness,expected,ratio,ua_ratio,event_effectiveness,temperature_factor"); err != nil {
		return err
	}
	for i, truth := range truths {
		for _, e := range truth.Events {
			if e.End >= until {
				continue
			}
			cells := []string{s.Houses[i].Dwelling.ID, string(e.Kind), e.Start.String(), e.End.String(),
				cli.Figure(e.RunningS, 1), cli.Figure(e.VolumeL, 3), cli.Figure(e.HeatKWh, 6), fmt.Sprint(e.Measurable), cli.Figure(e.SettledS, 1),
				cli.Figure(e.FlowLMin, 3), cli.Figure(e.WasteFlowLMin, 3), cli.Figure(e.Port[0], 3), cli.Figure(e.Port[1], 3), cli.Figure(e.Port[2], 3), cli.Figure(e.Port[3], 3),
				cli.Figure(e.EffActual, 5), cli.Figure(e.Expected, 5), cli.Figure(e.Ratio, 5), cli.Figure(e.UARatio, 5),
				cli.Figure(e.EffEvent, 5), cli.Figure(e.TemperatureFactor, 5)}
			if _, err := fmt.Fprintln(w, strings.Join(cells, ",")); err != nil {
				return err
			}
		}
	}
	return nil
}

// writeFaults writes what is wrong in each house as findings.csv has it:
// "healthy" where nothing is before until.
func writeFaults(w io.Writer, s *simulate.Street, until greywatt.Instant) error {
	if _, err := fmt.Fprintln(w, "dwelling,finding,since,channel,size"); err != nil {
		return err
	}
	for _, h := range s.Houses {
		faults := slices.DeleteFunc(slices.Clone(h.Faults), func(f simulate.Fault) bool { return f.From >= until })
		if len(faults) == 0 {
			if _, err := fmt.Fprintf(w, "%s,%s,,,\n", h.Dwelling.ID, simulate.Healthy); err != nil {
				return err
			}
		}
		from, _ := h.Span()
		for _, f := range faults {
			channel := ""
			switch f.Kind {
			case simulate.SensorLoose, simulate.SensorDrifting, simulate.SensorDead:
				channel = f.Channel.String()
			}
			if _, err := fmt.Fprintf(w, "%s,%s,%s,%s,%s\n", h.Dwelling.ID, f.Kind, max(f.From, from), channel, cli.Figure(f.Size, 4)); err != nil {
				return err
			}
		}
	}
	return nil
}
