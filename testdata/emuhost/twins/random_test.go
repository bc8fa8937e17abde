package twins

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// randomTwins is how many random hosts are tried; LENDKEEP_TWINS asks for more. One
// takes some three minutes.
const randomTwins = 1

// drawn is a random host with the files of a layout for it.
type drawn struct {
	survey facts.Survey
	layout []byte
}

// written gives what of a layout a file can say.
func written(l *spec.Layout) []byte {
	parts := []spec.Part{{Host: &l.Host}}
	for i := range l.Controllers {
		parts = append(parts, spec.Part{Controller: &l.Controllers[i]})
	}
	for i := range l.Guests {
		parts = append(parts, spec.Part{Guest: &l.Guests[i]})
	}
	for i := range l.Shifts {
		parts = append(parts, spec.Part{Shift: &l.Shifts[i]})
	}
	return spec.Write(parts)
}

// moves tells whether there is an order for a shift that lends a controller, or takes
// one back.
func (d drawn) moves(shift string) bool {
	m := d.survey.Machine
	layout, diagnostics := spec.LoadSources("", []spec.File{{Name: "larch.hcl", Bytes: d.layout}}, spec.Given{Known: true, MemoryBytes: m.MemoryBytes, CPUs: m.CPUs, HostName: m.Name})
	if diagnostics.HasErrors() {
		return false
	}
	c := assess.NewCase(layout, facts.NewIndex(&d.survey), layout.Shift(shift))
	findings := assess.Assess(c)
	if assess.Stops(findings) {
		return false
	}
	o, err := order.Plan(c, findings)
	if err != nil {
		return false
	}
	for _, w := range o.Steps {
		switch s := w.Step.(type) {
		case *step.TakeBack:
			return true
		case *step.StartGuest:
			if len(s.Borrows) > 0 {
				return true
			}
		}
	}
	return false
}

// Random hosts, each with an order that lends something or takes it back: kernel and
// memory do the same.
func TestRandomHosts(t *testing.T) {
	p := built(t)
	count := randomTwins
	if asked := os.Getenv("LENDKEEP_TWINS"); asked != "" {
		var err error
		count, err = strconv.Atoi(asked)
		require.NoError(t, err)
	}
	random := rapid.Custom(func(t *rapid.T) drawn {
		survey, layout := invented.Random(t)
		return drawn{survey, written(layout)}
	})
	for seed, found := 0, 0; found < count; seed++ {
		d := random.Example(seed)
		for _, shift := range []string{"day", "night"} {
			if !d.moves(shift) {
				continue
			}
			found++
			t.Run(fmt.Sprintf("%d by %s", seed, shift), func(t *testing.T) {
				layout, survey := t.TempDir(), filepath.Join(t.TempDir(), "larch.json")
				require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), d.layout, 0o600))
				var content bytes.Buffer
				require.NoError(t, d.survey.Encode(&content))
				require.NoError(t, os.WriteFile(survey, content.Bytes(), 0o600))
				_, exit := p.rehearsed(t, layout, survey, shift, "--no-trials")
				assert.Zero(t, exit)
			})
			break
		}
	}
}
