package speed_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/speed"
)

// forged is what somebody writes who knows how the sum is made.
func forged(t *testing.T, r speed.Result) []byte {
	write := func() []byte {
		var content bytes.Buffer
		encoder := json.NewEncoder(&content)
		encoder.SetIndent("", " ")
		encoder.SetEscapeHTML(false)
		require.NoError(t, encoder.Encode(r))
		return content.Bytes()
	}
	r.Sum = ""
	sum := sha256.Sum256(write())
	r.Sum = hex.EncodeToString(sum[:])
	return write()
}

func TestDecodeRefusesValues(t *testing.T) {
	run := func(change func(run *speed.Run)) func(*speed.Result) {
		return func(r *speed.Result) { change(&r.Series[3].Runs[1]) } // random read, depth 32
	}
	percent := func(n int) *int { return &n }
	for says, change := range map[string]func(r *speed.Result){
		"clock began: want UTC":         func(r *speed.Result) { r.Clock.Began = time.Time{} },
		"clock ended: want UTC":         func(r *speed.Result) { r.Clock.Ended = r.Clock.Ended.Add(time.Millisecond) },
		"clock boot_ns":                 func(r *speed.Result) { r.Clock.Boot = -1 },
		"clock took_ns":                 func(r *speed.Result) { r.Clock.Took = 25 * time.Hour },
		"ends after the measurement":    func(r *speed.Result) { r.Clock.Took = time.Minute },
		"place side":                    func(r *speed.Result) { r.Place.Side = "moon" },
		"place system":                  func(r *speed.Result) { r.Place.System = "" },
		"place processors":              func(r *speed.Result) { r.Place.Processors = 0 },
		"place memory_bytes":            func(r *speed.Result) { r.Place.MemoryBytes = -1 },
		"target form":                   func(r *speed.Result) { r.Target.Form = "" },
		"target drive size_bytes":       func(r *speed.Result) { r.Target.Drive.SizeBytes = math.MaxInt64 },
		"method through":                func(r *speed.Result) { r.Method.Through = "magic" },
		"method file_bytes":             func(r *speed.Result) { r.Method.FileBytes = 0 },
		"method written_bytes":          func(r *speed.Result) { r.Method.Written = 1 << 30 },
		"writing was not asked for":     func(r *speed.Result) { r.Method.Write = false },
		"method runs":                   func(r *speed.Result) { r.Method.Runs = 21 },
		"5 runs, and 4 were to be made": func(r *speed.Result) { r.Method.Runs = 4 },
		"method run_lasts_ns":           func(r *speed.Result) { r.Method.RunLasts = 0 },
		"around load_percent":           func(r *speed.Result) { r.Around.LoadPercent = percent(101) },
		"around fill_percent":           func(r *speed.Result) { r.Around.FillPercent = percent(-1) },
		"around temperature_c":          func(r *speed.Result) { r.Around.TemperatureC = percent(-274) },
		"lent and a virtual disk": func(r *speed.Result) {
			r.Host = &speed.Host{Guest: "g", Others: []string{}, Lent: true, Disk: &speed.VirtualDisk{}}
		},
		"without a guest":            func(r *speed.Result) { r.Host = &speed.Host{Others: []string{}, Lent: true} },
		"host others":                func(r *speed.Result) { r.Host = &speed.Host{Guest: "g", Others: []string{"b", "a"}} },
		"without the guest itself":   func(r *speed.Result) { r.Host = &speed.Host{Guest: "g", Others: []string{"g"}} },
		"the host says that":         func(r *speed.Result) { r.Host = &speed.Host{Others: []string{}} },
		"series: there is none":      func(r *speed.Result) { r.Series = []speed.Series{} },
		"is there twice, or not in":  func(r *speed.Result) { r.Series[1] = r.Series[0] },
		"none of those that are":     func(r *speed.Result) { r.Series[0].Depth = 9 },
		"in which no character acts": func(r *speed.Result) { r.Target.Drive.Model = "\x1b[2J" },
		"text \"xxx":                 func(r *speed.Result) { r.Label = strings.Repeat("x", speed.MaxText+1) },
		"text \" two\"":              func(r *speed.Result) { r.Target.Layers = []string{" two"} },
		"run 2: took_ns":             run(func(run *speed.Run) { run.Took = time.Second }),
		"run 2: at_ns":               run(func(run *speed.Run) { run.At = -1 }),
		"run 2: operations":          run(func(run *speed.Run) { run.Operations = -run.Operations }),
		"bytes are not":              run(func(run *speed.Run) { run.Bytes++ }),
		"run 2: p50_ns":              run(func(run *speed.Run) { run.P50 = run.P99 + 1 }),
		"run 2: p99_ns":              run(func(run *speed.Run) { run.P99 = run.P999 + 1 }),
		"run 2: p999_ns":             run(func(run *speed.Run) { run.P999 = run.Took + 1 }),
		"p50_ns: 0s":                 run(func(run *speed.Run) { run.P50 = 0 }),
		"run 2: cpu_ns":              run(func(run *speed.Run) { run.CPU = 18 * time.Second }), // of 8 processors in 2 s
		"another one is under way":   run(func(run *speed.Run) { run.At -= time.Second }),
		"more than anything moves":   run(func(run *speed.Run) { run.Operations, run.Bytes = 1<<40, 1<<52 }),
		"1152921504606846976": run(func(run *speed.Run) { // times 4096 runs over to 0
			run.Operations, run.Bytes = 1<<60, 0
		}),
		"more than so many operations can have waited": run(func(run *speed.Run) { run.P50, run.P99, run.P999 = 100*run.P50, 100*run.P99, 100*run.P999 }),
	} {
		t.Run(says, func(t *testing.T) {
			r := invented.Measured("before", steady(500))
			change(&r)
			_, err := speed.Decode(forged(t, r))
			assert.ErrorContains(t, err, says)
			assert.ErrorContains(t, err, "read result: ")
			assert.ErrorContains(t, err, "fetch it again, or measure again")
			_, err = r.Encode()
			assert.ErrorContains(t, err, says, "nobody writes what nobody reads")
		})
	}
}

// What no value can hold is in the bytes.
func TestDecodeRefusesBytes(t *testing.T) {
	content := string(forged(t, invented.Measured("before", steady(500))))
	_, err := speed.Decode([]byte(content))
	require.NoError(t, err)
	took := regexp.MustCompile(`"p99_ns": \d+`).FindString(content)
	for name, c := range map[string]struct{ text, says string }{
		"no number":       {strings.Replace(content, took, `"p99_ns": NaN`, 1), "it is no JSON"},
		"infinity":        {strings.Replace(content, took, `"p99_ns": Infinity`, 1), "it is no JSON"},
		"too large":       {strings.Replace(content, took, `"p99_ns": 1e400`, 1), "want a whole number"},
		"a fraction":      {strings.Replace(content, took, `"p99_ns": 0.5`, 1), "want a whole number"},
		"a text":          {strings.Replace(content, took, `"p99_ns": "1"`, 1), "want a whole number"},
		"twice":           {strings.Replace(content, took, took+", "+took, 1), "p99_ns is there twice"},
		"missing":         {strings.Replace(content, took+",", "", 1), "p99_ns is missing"},
		"unknown":         {strings.Replace(content, took, took+`, "trust": true`, 1), "trust"},
		"null":            {strings.Replace(content, took, `"p99_ns": null`, 1), "is null"},
		"a digit changed": {strings.Replace(content, took, took[:len(took)-1]+"1", 1), "its sum is not that of its values"},
		"no sum":          {regexp.MustCompile(`"sum": "[0-9a-f]+"`).ReplaceAllString(content, `"sum": ""`), "its sum is not"},
		"another version": {strings.Replace(content, `"format": 1`, `"format": 2`, 1), "it is of version 2"},
		"cut off":         {content[:len(content)/2], "it ends before it is whole"},
		"nothing":         {"", "it ends before it is whole"},
		"two":             {content + content, "something follows its end"},
		"too long":        {content + strings.Repeat(" ", speed.MaxBytes), "bytes are more than"},
		"no UTF-8":        {content + "\xff", "no UTF-8"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := speed.Decode([]byte(c.text))
			assert.ErrorContains(t, err, c.says)
		})
	}
	_, err = speed.Decode([]byte(strings.ReplaceAll(content, "\n", "\r\n")))
	assert.NoError(t, err, "a copy by hand may change the ends of lines")
}

// The largest result fits.
func TestLargestResultIsRead(t *testing.T) {
	r := invented.Measured("before", steady(500))
	long := strings.Repeat("&", speed.MaxText) // not escaped
	r.Label, r.Target.Path, r.Place.Name = long, long, long
	for range 100 {
		r.Target.Layers = append(r.Target.Layers, long)
	}
	r.Method.Runs, r.Method.Written, r.Clock.Took = speed.MaxRuns, 1<<50, 20*time.Hour
	at := time.Hour
	for i := range r.Series {
		first := r.Series[i].Runs[0]
		r.Series[i].Runs = nil
		for range speed.MaxRuns {
			first.At, at = at, at+first.Took
			r.Series[i].Runs = append(r.Series[i].Runs, first)
		}
	}
	content, err := r.Encode()
	require.NoError(t, err)
	_, err = speed.Decode(content)
	assert.NoError(t, err, fmt.Sprint(len(content), " bytes"))
}

func TestText(t *testing.T) {
	for from, want := range map[string]string{
		" Studio  1TB \x00":                         `Studio  1TB \x00`,
		"two\nlines":                                `two\x0alines`,
		strings.Repeat("é", 300):                    strings.Repeat("é", speed.MaxText/2),
		strings.Repeat("x", speed.MaxText-1) + " y": strings.Repeat("x", speed.MaxText-1),
	} {
		assert.Equal(t, want, speed.Text(from))
		assert.Equal(t, want, speed.Text(want), "once is enough")
	}
}
