package speed_test

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

// virtual is a result of the same guest with a virtual disk.
func virtual(label string, rate func(speed.Kind, int) float64) speed.Result {
	r := invented.Measured(label, rate)
	r.Target.Block, r.Target.Driver = "vda", "virtio_blk"
	r.Target.Drive = speed.Drive{Bus: "virtio", SizeBytes: 64 << 30, SectorBytes: 512}
	r.Host = &speed.Host{Guest: "grading", Disk: &speed.VirtualDisk{Name: "vda", Bus: "virtio", Format: "qcow2", Cache: "writeback"}}
	return r
}

func lent(label string, rate func(speed.Kind, int) float64) speed.Result {
	r := invented.Measured(label, rate)
	r.Host = &speed.Host{Guest: "grading", Lent: true}
	return r
}

func compared(t *testing.T, results ...speed.Result) speed.Comparison {
	c, err := speed.Compare(results)
	require.NoError(t, err)
	return c
}

func TestCompare(t *testing.T) {
	c := compared(t, virtual("before", steady(500)), lent("lent", steady(1250)), lent("maker's driver", steady(1252)))
	require.Len(t, c.Rows, len(speed.Kinds))
	row := c.Rows[0]
	require.Len(t, row.Beside, 3, "each beside the first and the one before it")
	assert.Equal(t, "2.48 to 2.51 times (medians 2.50 times)", row.Beside[0].String())
	assert.Equal(t, []int{1, 0, 2, 0, 2, 1}, []int{row.Beside[0].Of, row.Beside[0].To, row.Beside[1].Of, row.Beside[1].To, row.Beside[2].Of, row.Beside[2].To})
	assert.Equal(t, speed.NoneShown, row.Beside[2].Verdict)
	assert.Contains(t, c.Columns[0].Cautions, "the host's memory answers for the virtual disk: its cache mode is writeback")
}

// What is not alike is named; what nobody knows, too; what does not apply to one of
// them is not.
func TestUnlike(t *testing.T) {
	less := 60
	for name, c := range map[string]struct {
		change        func(r *speed.Result)
		want, unknown []string
	}{
		"nothing":              {func(r *speed.Result) {}, nil, nil},
		"file size":            {func(r *speed.Result) { r.Method.FileBytes /= 2 }, []string{"file size"}, nil},
		"file size, a little":  {func(r *speed.Result) { r.Method.FileBytes += 4096 }, []string{"file size"}, nil},
		"io":                   {func(r *speed.Result) { r.Method.Through = "threads" }, []string{"way of reading and writing"}, nil},
		"cache mode":           {func(r *speed.Result) { r.Host.Disk.Cache = "none" }, []string{"cache mode"}, nil},
		"cache mode left":      {func(r *speed.Result) { r.Host.Disk.Cache = "" }, []string{"cache mode"}, nil},
		"image format":         {func(r *speed.Result) { r.Host.Disk.Format = "raw" }, []string{"image format"}, nil},
		"fill":                 {func(r *speed.Result) { r.Around.FillPercent = &less }, []string{"fill"}, nil},
		"fill not known":       {func(r *speed.Result) { r.Around.FillPercent = nil }, nil, []string{"fill"}},
		"a guest beside it":    {func(r *speed.Result) { r.Host.Others = []string{"ledger"} }, []string{"guests beside it"}, nil},
		"the host says nought": {func(r *speed.Result) { r.Host = nil }, nil, []string{"image format", "cache mode", "way to the image", "bus of the virtual disk", "guests beside it", "load of the host", "power profile of the host"}},
		"lent":                 {func(r *speed.Result) { r.Host.Lent, r.Host.Disk = true, nil }, nil, nil},
		"on a device":          {func(r *speed.Result) { r.Target.Form = speed.Device }, []string{"what was measured"}, nil},
		"few runs":             {func(r *speed.Result) { r.Method.Runs = 3 }, []string{"runs of a series"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			busy := 1
			a, b := virtual("a", steady(500)), virtual("b", steady(501))
			for _, r := range []*speed.Result{&a, &b} {
				r.Host.LoadPercent, r.Host.Power, r.Host.Disk.IO = &busy, "performance", "native"
			}
			c.change(&b)
			for _, l := range []speed.Likeness{compared(t, a, b).Alike[0], compared(t, b, a).Alike[0]} {
				assert.Equal(t, c.want, l.Unlike)
				assert.Equal(t, c.unknown, l.Unknown)
			}
		})
	}
}

// notCompared are fields that say nothing about what was measured, or how; on which
// side it was, the host says too, and never otherwise (Decode).
var notCompared = []string{"Place.Side", "Host.Way.Unknown", "Format", "Sum", "Label", "Clock.", "Series", "Gaps", "Target.Path", "Target.Block", "Method.Written"}

// Every other field that changes is told.
func TestEveryFieldIsCompared(t *testing.T) {
	base := func() speed.Result {
		r := virtual("a", steady(500))
		busy := 1
		r.Target.Layers, r.Host.Others, r.Host.LoadPercent = []string{"crypt"}, []string{"ledger"}, &busy
		r.Host.Way = &speed.Way{PayloadBytes: 256, Links: []speed.Link{{Below: "drive", SpeedMTps: 8000, Width: 4}}}
		return r
	}
	told := 0
	for path, change := range leaves(reflect.ValueOf(base()), "") {
		if containsPrefix(notCompared, path) {
			continue
		}
		other := base()
		other.Clock.Boot++ // another measurement
		change(reflect.ValueOf(&other).Elem())
		c := compared(t, base(), other)
		found := false
		for _, u := range c.Unlike {
			found = found || u.Values[0] != u.Values[1]
		}
		assert.True(t, found, "%s differs, and nothing is told", path)
		told++
	}
	assert.Greater(t, told, 30)
}

func containsPrefix(list []string, path string) bool {
	for _, prefix := range list {
		if strings.HasPrefix(path, prefix) {
			return true
		}
	}
	return false
}

// leaves gives for each field of a value, by its path, what changes it in another
// value of the type.
func leaves(v reflect.Value, path string) map[string]func(reflect.Value) {
	all := map[string]func(reflect.Value){}
	if v.Kind() != reflect.Struct || v.Type() == reflect.TypeFor[time.Time]() {
		all[path] = changed
		return all
	}
	for i := range v.NumField() {
		field := v.Field(i)
		within := func(v reflect.Value) reflect.Value { return v.Field(i) }
		if field.Kind() == reflect.Pointer && !field.IsNil() && field.Elem().Kind() == reflect.Struct {
			field = field.Elem()
			within = func(v reflect.Value) reflect.Value { return v.Field(i).Elem() }
		}
		for at, change := range leaves(field, v.Type().Field(i).Name) {
			all[strings.TrimPrefix(path+"."+at, ".")] = func(v reflect.Value) { change(within(v)) }
		}
	}
	return all
}

func changed(v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(v.String() + "x")
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Int, reflect.Int64:
		v.SetInt(v.Int()*2 + 20)
	case reflect.Pointer:
		n := 77
		v.Set(reflect.ValueOf(&n))
	case reflect.Slice:
		if v.Type() == reflect.TypeFor[[]speed.Link]() {
			v.Set(reflect.ValueOf([]speed.Link{{Below: "another", SpeedMTps: 5000, Width: 1}}))
		}
		if v.Type().Elem().Kind() == reflect.String {
			v.Set(reflect.ValueOf([]string{"other"}))
		}
	}
}

func TestLosses(t *testing.T) {
	alone := lent("lent alone", steady(1000))
	with := lent("lent beside ledger", steady(700))
	with.Host.Others = []string{"ledger"}
	shelf := virtual("shelf alone", steady(400))
	shelf.Host.Guest = "ledger"
	shelfWith := virtual("shelf beside grading", steady(395))
	shelfWith.Host.Guest, shelfWith.Host.Others = "ledger", []string{"grading"}
	shelf.Clock.Began, shelf.Clock.Ended = shelf.Clock.Began.Add(-24*time.Hour), shelf.Clock.Ended.Add(-24*time.Hour)
	alone.Clock.Began, alone.Clock.Ended = alone.Clock.Began.Add(-48*time.Hour), alone.Clock.Ended.Add(-48*time.Hour)

	c := compared(t, alone, with, shelf, shelfWith)
	require.Len(t, c.Losses, 2, "the loss of either")
	assert.Equal(t, []string{"guest grading", "ledger, measured at the same time", "sequential read, 1 MiB, depth 8"}, c.Costs()[1][:3])
	assert.Equal(t, speed.Different, c.Losses[0].Rows[0].Verdict)
	assert.Equal(t, "0.699 to 0.703 times", c.Losses[0].Rows[0].Span())
	assert.Equal(t, "loses 29.7 to 30.1 %", c.Costs()[1][3])
	assert.Equal(t, "ledger", c.Losses[1].Guest)
	assert.Equal(t, speed.Different, c.Losses[1].Rows[0].Verdict)

	with.Host.Way = &speed.Way{Links: []speed.Link{{Below: "drive", SpeedMTps: 2500, Width: 4, Loose: true}}}
	c = compared(t, alone, with)
	assert.Len(t, c.Losses, 1, "a link that was idle is no other drive")
	with.Target.Drive.Serial = "another"
	c = compared(t, alone, with, shelf)
	assert.Empty(t, c.Losses, "another drive is another question")
	idle := shelfWith
	idle.Clock.Began, idle.Clock.Ended = idle.Clock.Began.Add(time.Hour), idle.Clock.Ended.Add(time.Hour)
	c = compared(t, shelf, idle)
	require.Len(t, c.Losses, 1)
	assert.Equal(t, "grading, and what it did is not known", c.Costs()[1][1])
}

func TestCompareRefuses(t *testing.T) {
	a := lent("a", steady(500))
	_, err := speed.Compare([]speed.Result{a, a})
	assert.ErrorContains(t, err, "are the same measurement")
	again := a
	again.Host, again.Label = nil, "b"
	_, err = speed.Compare([]speed.Result{a, again})
	assert.ErrorContains(t, err, "a and b are the same measurement")
	_, err = speed.Compare(nil)
	assert.ErrorContains(t, err, "0 of them")
	_, err = speed.Compare(make([]speed.Result, speed.MaxCompared+1))
	assert.ErrorContains(t, err, "9 of them")
}

func TestSameLabelsAreToldApart(t *testing.T) {
	c := compared(t, lent("a", steady(500)), lent("b", steady(501)), lent("a", steady(502)), lent("", steady(503)))
	var names []string
	for _, column := range c.Columns {
		names = append(names, column.Name)
	}
	assert.Equal(t, []string{"a (1)", "b", "a (2)", "no label"}, names)
}

func TestBeyondTheCeiling(t *testing.T) {
	r := lent("a", steady(4000))
	r.Host.Way = &speed.Way{PayloadBytes: 256, Links: []speed.Link{{Below: "drive", Above: "port", SpeedMTps: 8000, Width: 4}}}
	const says = "sequential read, 1 MiB, depth 8: 4004 MB/s are more than the links carry (3653 MB/s)"
	assert.Contains(t, strings.Join(compared(t, r).Columns[0].Cautions, "\n"), says)
	r.Host.Way.Links[0].Loose = true
	assert.NotContains(t, strings.Join(compared(t, r).Columns[0].Cautions, "\n"), "more than the links carry", "a link that may carry more is no bound")
	r.Host.Way = &speed.Way{Links: []speed.Link{{Below: "drive", Above: "port", SpeedMTps: 2500, Width: 1}}}
	assert.NotContains(t, strings.Join(compared(t, r).Columns[0].Cautions, "\n"), "more than the links carry", "without the size of packets nothing is impossible")
}

// What a reader gets: figures, a ratio with its spread, and a chart in letters.
func TestShown(t *testing.T) {
	r := lent("lent", steady(1250))
	r.Host.Way = &speed.Way{PayloadBytes: 128, Links: []speed.Link{{Below: "drive", Above: "port at 0000:00:1d.0", SpeedMTps: 5000, Width: 4}}}
	c := compared(t, virtual("before", steady(500)), r)
	var shown []string
	for _, table := range [][][]string{c.Table()[:4], c.Ratios()[:3], c.Likenesses(), c.Ceilings()} {
		for _, line := range table {
			shown = append(shown, strings.Join(line, " | "))
		}
	}
	shown = append(shown, c.Rule())
	shown = append(shown, c.Chart().Panels[0].Lines(80)...)
	shown = append(shown, c.Chart().Panels[0].Lines(20)...)
	assert.Equal(t, `series | result | rate (least to most) | 50 % | 99 % | 99.9 % | processors
sequential read, 1 MiB, depth 8 | before | 502 MB/s (500 to 504) | 16.7ms | 16.7ms | 16.7ms | 0.10
sequential read, 1 MiB, depth 8 | lent | 1252 MB/s (1250 to 1254) | 6.7ms | 6.7ms | 6.7ms | 0.10
sequential write, 1 MiB, depth 8 | before | 502 MB/s (500 to 504) | 16.7ms | 16.7ms | 16.7ms | 0.10
series | result | beside | how many times its rate
sequential read, 1 MiB, depth 8 | lent | before | 2.48 to 2.51 times (medians 2.50 times)
sequential write, 1 MiB, depth 8 | lent | before | 2.48 to 2.51 times (medians 2.50 times)
result | beside | is unlike in | and nobody knows whether in
lent | before | none | load of the host, power profile of the host
result | the links carry | narrowest link
before | not known: which controller the drive has was not found out | -
lent | 1730 MB/s, in packets of 128 bytes | 5 GT/s x4 below port at 0000:00:1d.0
A difference is told only where no run of the one result reaches a run of the other; the ratio lies between the two that are told with 95 % or more. Where nothing differs, chance alone still shows a difference among 6 such comparisons in at most 5 of 100 cases.
sequential read, 1 MiB, depth 8
before  ===========]                                    502 MB/s (500 to 504)
lent    ============================]          !        1252 MB/s (1250 to 1254)
sequential read, ...
before  502 MB/s ...
lent    1252 MB/s...`, strings.Join(shown, "\n"))
}

// Anything that may be read can be compared with anything: no panic, every text in
// one line and every chart within its axis.
func TestCompareAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var list []speed.Result
		for i := range rapid.IntRange(1, 4).Draw(t, "results") {
			list = append(list, anyResult(t, i))
		}
		c, err := speed.Compare(list)
		if err != nil {
			t.Fatalf("%v", err)
		}
		for _, table := range [][][]string{c.Table(), c.Ratios(), c.Differences(), c.Costs(), c.Ceilings(), c.Likenesses()} {
			for _, line := range table {
				assert.Len(t, line, len(table[0]))
				assert.NotContains(t, strings.Join(line, ""), "NaN")
				assert.NotContains(t, strings.Join(line, ""), "Inf")
			}
		}
		width := rapid.IntRange(10, 200).Draw(t, "width")
		for _, p := range c.Chart().Panels {
			assert.True(t, len(p.Marks()) >= 2 && len(p.Marks()) <= 8, p.Marks())
			for _, bar := range p.Bars {
				assert.True(t, bar.Spread.Most <= p.End && bar.Ceiling <= p.End)
			}
			for _, line := range p.Lines(width) {
				assert.LessOrEqual(t, len([]rune(line)), width)
			}
		}
	})
}

// anyResult draws a result that Decode takes.
func anyResult(t *rapid.T, i int) speed.Result {
	base := rapid.SampledFrom([]float64{.001, 1, 500, 1e5}).Draw(t, "base")
	r := invented.Measured(rapid.SampledFrom([]string{"", "a", "a very long label that no table has room for"}).Draw(t, "label"), func(speed.Kind, int) float64 {
		return base * 1e6 * rapid.Float64Range(1, 2).Draw(t, "rate")
	})
	r.Clock.Boot += time.Duration(i) // no two are the same
	maybe := func(name string) *int {
		if rapid.Bool().Draw(t, name+" is known") {
			return nil
		}
		n := rapid.IntRange(0, 100).Draw(t, name)
		return &n
	}
	r.Around.LoadPercent, r.Around.TemperatureC, r.Around.FillPercent = maybe("load"), maybe("temperature"), maybe("fill")
	r.Target.Form = rapid.SampledFrom([]speed.Form{speed.Folder, speed.Device}).Draw(t, "form")
	r.Place.Side = ""
	switch rapid.IntRange(0, 3).Draw(t, "host") {
	case 1:
		r.Host = &speed.Host{Others: rapid.SampledFrom([][]string{nil, {"ledger"}}).Draw(t, "others")}
	case 2:
		r.Host = &speed.Host{Guest: "grading", Lent: true, LoadPercent: maybe("host's load"), Others: rapid.SampledFrom([][]string{nil, {"ledger"}}).Draw(t, "others")}
	case 3:
		r.Host = &speed.Host{Guest: "grading", Disk: &speed.VirtualDisk{Name: "vda", Cache: rapid.SampledFrom([]string{"", "none", "unsafe"}).Draw(t, "cache")}}
	}
	if r.Host != nil && rapid.Bool().Draw(t, "its way is known") {
		r.Host.Way = &speed.Way{PayloadBytes: rapid.SampledFrom([]int{0, 128, 4096}).Draw(t, "payload")}
		for range rapid.IntRange(1, 3).Draw(t, "links") {
			r.Host.Way.Links = append(r.Host.Way.Links, speed.Link{Below: "drive", SpeedMTps: rapid.SampledFrom([]int{0, 2500, 64000, 77}).Draw(t, "speed"), Width: rapid.IntRange(0, 32).Draw(t, "width"), Loose: rapid.Bool().Draw(t, "idle")})
		}
	}
	if rapid.Bool().Draw(t, "side is known") {
		r.Place.Side = speed.Guest
		if r.Host != nil && r.Host.Guest == "" {
			r.Place.Side = speed.OnHost
		}
	}
	left := rapid.IntRange(1, len(r.Series)).Draw(t, "series")
	r.Series = r.Series[len(r.Series)-left:]
	if rapid.Bool().Draw(t, "gap") {
		r.Gaps = []facts.Gap{{Fact: "temperature", Path: "/sys/class/hwmon", Reason: "no such file"}}
	}
	content, err := r.Encode()
	if err != nil {
		t.Fatalf("%v", err)
	}
	read, err := speed.Decode(content)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return read
}
