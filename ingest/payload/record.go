package payload

import (
	"cmp"
	"math"
	"strconv"
	"strings"

	"greywatt"
	"greywatt/ingest"
)

// A label is one of the fields that RFC 8428 defines (section 4, tables 1 and 4).
type label uint8

const (
	labelBaseName label = iota
	labelBaseTime
	labelBaseUnit
	labelBaseValue
	labelBaseSum
	labelBaseVersion
	labelName
	labelUnit
	labelValue
	labelStringValue
	labelBoolValue
	labelDataValue
	labelSum
	labelTime
	labelUpdateTime
	labelSequence // of the pack: not of RFC 8428, see firmware-notes
	labelRun
	numLabels
)

var labelNames = [numLabels]string{"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "seq", "run"}

func (l label) String() string { return labelNames[l] }

// labels is a set of them.
type labels uint32

func setOf(ls ...label) (s labels) {
	for _, l := range ls {
		s |= 1 << l
	}
	return s
}

func (s labels) has(l label) bool { return s&(1<<l) != 0 }

var (
	baseLabels   = setOf(labelBaseName, labelBaseTime, labelBaseUnit, labelBaseValue, labelBaseSum, labelBaseVersion)
	textLabels   = setOf(labelBaseName, labelBaseUnit, labelName, labelUnit, labelRun)
	numberLabels = setOf(labelBaseTime, labelBaseValue, labelBaseVersion, labelValue, labelTime, labelSequence)
	packLabels   = setOf(labelSequence, labelRun) // say nothing of a reading
	otherValues  = setOf(labelStringValue, labelBoolValue, labelDataValue)
)

// A record is one SenML record as it came, before base fields apply. The texts
// are valid until the next record is read.
type record struct {
	given  labels
	twice  labels // given more than once
	broken labels // given with a value of the wrong type
	text   [numLabels][]byte
	number [numLabels]float64
	wrong  []byte // the first value of the wrong type, as it came
	alien  string // a label that ends in "_"
}

func (r *record) reset() {
	r.given, r.twice, r.broken, r.wrong, r.alien = 0, 0, 0, nil, ""
}

// give notes that l stands in the record.
func (r *record) give(l label) {
	if r.given.has(l) {
		r.twice |= 1 << l
	}
	r.given |= 1 << l
}

func (r *record) spoil(l label, value []byte) {
	r.broken |= 1 << l
	if r.wrong == nil {
		r.wrong = value
	}
}

// unknown deals with a label that RFC 8428 does not define: it is ignored
// unless it ends in "_".
func (r *record) unknown(name string) {
	if r.alien == "" && strings.HasSuffix(name, "_") {
		r.alien = strings.Clone(name[:min(len(name), MaxName)])
	}
}

// base holds the base fields in force.
type base struct {
	name, unit  []byte
	time, value float64
	broken      labels // base fields that cannot be used
	alien       string // a base label that ends in "_"
	lost        bool   // a record that may have set base fields could not be read
}

func (b *base) clear() {
	*b = base{name: b.name[:0], unit: b.unit[:0]}
}

// loseAll notes that a record which may have set any base field is unreadable.
func (b *base) loseAll() {
	b.broken |= setOf(labelBaseName, labelBaseTime, labelBaseUnit, labelBaseValue)
	b.lost = true
}

// update takes over the base fields of r and reports whether the name changed.
func (b *base) update(r *record) (renamed bool) {
	set := r.given & baseLabels
	if set == 0 {
		return false
	}
	b.broken = b.broken&^set | (r.broken|r.twice)&set
	if set.has(labelBaseName) {
		b.name = append(b.name[:0], r.text[labelBaseName]...)
		renamed = true
	}
	if set.has(labelBaseUnit) {
		b.unit = append(b.unit[:0], r.text[labelBaseUnit]...)
	}
	if set.has(labelBaseTime) {
		b.time = r.number[labelBaseTime]
	}
	if set.has(labelBaseValue) {
		b.value = r.number[labelBaseValue]
	}
	return renamed
}

// A clue says why a base field cannot be used.
func (b *base) clue(l label) string {
	if b.lost {
		return "follows a record that could not be read and may have set " + l.String()
	}
	return "the base field " + l.String() + " is given twice or has a value of the wrong type"
}

// Times below this, in seconds, are relative to now; RFC 8428 section 4.5.3.
const relativeBelow = 1 << 28

var (
	earliest = greywatt.InstantOfUnix(946684800) // 2000-01-01, this project's choice: no node is older
	aDay     = greywatt.InstantOfUnix(86400)

	farFuture = greywatt.InstantOfUnix(1e11) // the year 5138
)

// take turns the record at hand into a reading or a rejected record. raw is its
// text for the latter. It reports whether the rest of the pack may be read.
func (d *Decoder) take(raw []byte) (goOn bool) {
	r, b := &d.rec, &d.base
	if b.update(r) {
		d.names.rebase()
	}
	if r.given.has(labelBaseVersion) {
		if v := r.number[labelBaseVersion]; r.broken.has(labelBaseVersion) || !(v >= 1 && v <= 10) || v != math.Trunc(v) {
			d.rejectVersion(raw)
			return false
		}
	}
	if strings.HasPrefix(r.alien, "b") {
		b.alien = r.alien
	}
	if r.given&packLabels != 0 {
		d.count(r)
		r.given, r.twice, r.broken = r.given&^packLabels, r.twice&^packLabels, r.broken&^packLabels
		if r.given == 0 {
			return true
		}
	}
	var f *fault
	switch {
	case r.alien != "":
		f = &fault{ingest.BadLabel, d.origin.Dwelling, "the label " + quote(r.alien) + " must be understood, and is not known"}
	case b.alien != "":
		f = &fault{ingest.BadLabel, d.origin.Dwelling, "the base label " + quote(b.alien) + " before it must be understood, and is not known"}
	case r.twice != 0:
		f = &fault{ingest.BadPayload, d.origin.Dwelling, "a label stands twice in the record: " + r.twice.first().String()}
	case r.given != 0 && r.given&^baseLabels == 0:
		if r.broken == 0 {
			return true // sets base fields, and is no reading
		}
		f = &fault{ingest.BadPayload, d.origin.Dwelling, r.broken.first().String() + " has a value of the wrong type: " + d.wrong()}
	default:
		f = d.reading()
	}
	if f != nil {
		d.appendRejected(*f, raw)
	}
	return true
}

// count takes the pack's number over. One that is none is as good as none at all.
func (d *Decoder) count(r *record) {
	const most = 1 << 53 // up to here a float is an integer's equal
	if n := r.number[labelSequence]; d.sequence.N == 0 && r.given.has(labelSequence) && !r.broken.has(labelSequence) && n >= 1 && n <= most && n == math.Trunc(n) {
		d.sequence.N = uint64(n)
	}
	if run := r.text[labelRun]; d.sequence.Run == "" && r.given.has(labelRun) && !r.broken.has(labelRun) && len(run) <= maxRun && checkName(string(run)) == "" {
		d.sequence.Run = string(run)
	}
}

func (s labels) first() label {
	for l := range numLabels {
		if s.has(l) {
			return l
		}
	}
	panic("payload: empty set of labels")
}

// rejectVersion undoes what the pack has given so far: all records of a pack
// have one version, and a pack of a later one must not be used.
func (d *Decoder) rejectVersion(raw []byte) {
	d.readings = d.readings[:d.marks.readings]
	d.rejected = d.rejected[:d.marks.rejected]
	clear(d.suppressed)
	d.reject(ingest.BadVersion, raw, "the pack's version (bver) is not one from 1 to 10; nothing of it may be used")
}

// reading resolves the record at hand (RFC 8428 section 4.6) and appends the
// reading, unless it finds a fault.
func (d *Decoder) reading() *fault {
	t, f := d.name()
	if f != nil {
		return f
	}
	value, reason, detail := d.value(t)
	if reason == "" {
		var at greywatt.Instant
		if at, reason, detail = d.instant(t); reason == "" {
			d.readings = append(d.readings, greywatt.Reading{
				Dwelling: t.dwelling, Node: t.node, Channel: t.channel, At: at, Value: value,
			})
			return nil
		}
	}
	return &fault{reason, t.dwelling, t.channel.String() + ": " + detail}
}

func (d *Decoder) name() (*target, *fault) {
	switch {
	case d.base.broken.has(labelBaseName):
		return nil, &fault{ingest.BadName, d.origin.Dwelling, d.base.clue(labelBaseName)}
	case d.rec.broken.has(labelName):
		return nil, &fault{ingest.BadName, d.origin.Dwelling, "n is not a text: " + d.wrong()}
	case d.rec.given.has(labelName):
		return d.names.lookup(d.base.name, d.rec.text[labelName])
	}
	return d.names.lookup(d.base.name, nil)
}

func (d *Decoder) wrong() string { return Excerpt(d.rec.wrong) }

// value returns the record's value in the channel's stored unit.
func (d *Decoder) value(t *target) (v float64, reason ingest.Reason, detail string) {
	r, b, c := &d.rec, &d.base, t.channel
	unit := b.unit
	switch {
	case r.broken.has(labelUnit):
		return 0, ingest.BadUnit, "u is not a text: " + d.wrong()
	case r.given.has(labelUnit):
		unit = r.text[labelUnit]
	case b.broken.has(labelBaseUnit):
		return 0, ingest.BadUnit, b.clue(labelBaseUnit)
	}
	convert := conversion(c, unit)
	if convert == noUnit && d.origin.Units != nil {
		convert = conversion(c, []byte(d.origin.Units(t.dwelling, t.node, c)))
	}
	if convert == noUnit {
		return 0, ingest.BadUnit, "unit " + wantUnit(c, unit)
	}

	others := r.given & otherValues
	switch {
	case b.broken.has(labelBaseValue):
		return 0, ingest.NoNumber, b.clue(labelBaseValue)
	case r.broken.has(labelValue):
		return 0, ingest.NoNumber, "v is not a number: " + d.wrong()
	case r.given.has(labelValue) && others != 0:
		return 0, ingest.NoNumber, "has both v and " + others.first().String() + "; one value a record is wanted"
	case others != 0:
		return 0, ingest.NoNumber, "has " + others.first().String() + "; a number, v, is wanted"
	case !r.given.has(labelValue):
		return 0, ingest.NoNumber, "has no v"
	}
	v = convert.apply(b.value + r.number[labelValue])
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return 0, ingest.NoNumber, "v is not a finite number: " + formatNumber(v)
	case !c.Plausible(v):
		return 0, ingest.AbsurdValue, wantPlausible(c, v)
	}
	return v, "", ""
}

// instant returns the record's time: bt + t, relative to now where that is
// small (RFC 8428 section 4.5.3).
func (d *Decoder) instant(t *target) (at greywatt.Instant, reason ingest.Reason, detail string) {
	r, b := &d.rec, &d.base
	switch {
	case b.broken.has(labelBaseTime):
		return 0, ingest.BadTime, b.clue(labelBaseTime)
	case r.broken.has(labelTime):
		return 0, ingest.BadTime, "t is not a number: " + d.wrong()
	}
	seconds := b.time
	if r.given.has(labelTime) {
		seconds += r.number[labelTime]
	}
	relative := seconds < relativeBelow
	if relative {
		if d.origin.Stored {
			return 0, ingest.BadTime, "time " + formatNumber(seconds) + " is relative to now, which means nothing in a file; write seconds since 1970"
		}
		seconds += float64(d.now) / 1e6
	} else if d.origin.Shift != nil {
		seconds = d.origin.Shift(t.dwelling, t.node, seconds)
	}
	if !(seconds <= d.newest) && !math.IsInf(seconds, 0) {
		d.newest, d.relative = seconds, relative
	}
	return CheckTime(seconds, cmp.Or(d.origin.Latest, d.now))
}

// CheckTime turns Unix seconds into an instant, to the nearest microsecond.
// Where that cannot be a reading's time it returns the reason, as
// [CheckInstant] does, and what to tell people.
func CheckTime(seconds float64, now greywatt.Instant) (at greywatt.Instant, reason ingest.Reason, detail string) {
	const fits = 9e12 // seconds; beyond, an Instant would overflow
	switch {
	case math.IsNaN(seconds) || math.IsInf(seconds, 0):
		return 0, ingest.BadTime, "the time is not a finite number"
	case seconds > fits:
		return 0, ingest.FutureTime, "time " + formatNumber(seconds) + " s lies beyond the calendar"
	case seconds < -fits:
		return 0, ingest.BadTime, "time " + formatNumber(seconds) + " s lies before the calendar"
	}
	at = greywatt.InstantOfUnix(seconds)
	reason, detail = CheckInstant(at, now)
	return at, reason, detail
}

// CheckInstant says why at cannot be a reading's time: bad-time before 2000, future-time
// more than a day after now. The reason is empty where it can.
func CheckInstant(at, now greywatt.Instant) (reason ingest.Reason, detail string) {
	switch {
	case at < earliest:
		return ingest.BadTime, "time " + at.String() + " is before 2000; has the node's clock been set?"
	case at > now+aDay:
		detail = "time " + at.String() + " is more than a day after now, " + now.String()
		if at > farFuture {
			detail += "; is it in milliseconds? seconds are wanted"
		}
		return ingest.FutureTime, detail
	}
	return "", ""
}

func formatNumber(v float64) string { return strconv.FormatFloat(v, 'g', 12, 64) }

func quote(s string) string { return strconv.Quote(s) }
