package twins

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
)

// wanted is the environment variable that lets these tests run.
const wanted = "LENDKEEP_EMUHOST"

const (
	hosts    = "../../hosts"
	examples = "../../../examples"
)

// programs is a folder with lendkeep and what it runs in a twin.
type programs string

func built(t *testing.T) programs {
	t.Helper()
	if os.Getenv(wanted) == "" {
		t.Skipf("boots a whole host: set %s=1 to run it", wanted)
	}
	if err := emulated.Missing(); err != nil {
		t.Skip(err)
	}
	folder := t.TempDir()
	for name, from := range map[string]string{"lendkeep": "cmd/lendkeep", "lendkeep-hook": "cmd/lendkeep-hook", emulated.AgentName: "providers/emulated/agent"} {
		cgo := "0"
		if name == "lendkeep" {
			cgo = "1"
		}
		build(t, cgo, filepath.Join(folder, name), "lendkeep/"+from)
	}
	return programs(folder)
}

func build(t *testing.T, cgo, program, from string) {
	t.Helper()
	command := exec.Command("go", "build", "-tags", "libvirt_dlopen", "-o", program, from)
	command.Env = append(os.Environ(), "CGO_ENABLED="+cgo)
	output, err := command.CombinedOutput()
	require.NoError(t, err, "%s", output)
}

// lendkeep gives what lendkeep says, and its exit code.
func (p programs) lendkeep(t *testing.T, arguments ...string) (said string, exit int) {
	t.Helper()
	output, err := exec.Command(filepath.Join(string(p), "lendkeep"), arguments...).CombinedOutput()
	var ended *exec.ExitError
	if errors.As(err, &ended) {
		return string(output), ended.ExitCode()
	}
	require.NoError(t, err)
	return string(output), 0
}

func (p programs) must(t *testing.T, arguments ...string) string {
	t.Helper()
	said, exit := p.lendkeep(t, arguments...)
	require.Zero(t, exit, said)
	return said
}

// surveyed gives a file with the survey of a captured host.
func (p programs) surveyed(t *testing.T, host string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), host+".json")
	p.must(t, "survey", "--root", filepath.Join(hosts, host+".txtar"), "-o", name)
	return name
}

// rehearsed gives what is said of a layout's order for a shift, or for none, of a host on
// its twin, and the exit code.
func (p programs) rehearsed(t *testing.T, layout, survey, shift string, options ...string) (said string, exit int) {
	t.Helper()
	order := filepath.Join(t.TempDir(), "an.order")
	planned := []string{"plan", layout, "--survey", survey, "-o", order}
	if shift != "" {
		planned = append(planned, "--shift", shift)
	}
	p.must(t, planned...)
	said, exit = p.lendkeep(t, append([]string{"rehearse", order, "--survey", survey, "--twin"}, options...)...)
	t.Log(said)
	return said, exit
}

// The order of an example for larch does on a real kernel what it does in memory.
func TestExamples(t *testing.T) {
	p := built(t)
	for name, c := range map[string]struct{ layout, shift string }{
		"by day":         {"larch", "day"},
		"by night":       {"larch", "night"},
		"the library":    {"library", ""},
		"a system moves": {"moving", "day"},
	} {
		t.Run(name, func(t *testing.T) {
			said, exit := p.rehearsed(t, filepath.Join(examples, c.layout), p.surveyed(t, "larch"), c.shift)
			assert.Zero(t, exit)
			assert.Contains(t, said, "boot with one more card in front of all others: ", "the last trial")
			assert.Contains(t, said, "All of the order was carried out by a real kernel")
		})
	}
}

// small lends one drive to a guest that is made for it.
func small(t *testing.T, serial, guest string) (layout string) {
	t.Helper()
	layout = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(layout, "larch.hcl"), []byte(`
host "larch" {}
controller "it" {
  nvme { serial = "`+serial+`" }
}
guest "`+guest+`" {
  borrows = [controller.it]
  memory { size = mib(256) }
}
shift "day" { guests = [guest.`+guest+`] }
`), 0o600))
	return layout
}

// The captured hosts, of which one has a guest that runs with a drive of its own.
func TestCapturedHosts(t *testing.T) {
	p := built(t)
	for host, layout := range map[string]string{
		"captured-before":  small(t, "RL-4410-0073", "l2"),
		"captured-running": small(t, "RL-4410-0088", "second"),
		"captured-after":   small(t, "RL-4410-0073", "l2"),
	} {
		t.Run(host, func(t *testing.T) {
			said, exit := p.rehearsed(t, layout, p.surveyed(t, host), "day", "--no-trials")
			assert.Zero(t, exit)
			assert.Contains(t, said, "carried out by a real kernel")
		})
	}
}

// A guard that lets everything pass and mounts nothing is what memory does not know of.
func TestPlantedDifference(t *testing.T) {
	p := built(t)
	source := filepath.Join(t.TempDir(), "main.go")
	require.NoError(t, os.WriteFile(source, []byte("package main\n\nfunc main() {}\n"), 0o600))
	build(t, "0", filepath.Join(string(p), "lendkeep-hook"), source)
	said, exit := p.rehearsed(t, filepath.Join(examples, "larch"), p.surveyed(t, "larch"), "day", "--no-trials")
	assert.Equal(t, 1, exit)
	assert.Regexp(t, `(?m)^  after the guests' end, in memory and by the kernel: .*/srv/shelf`, said)
}
