package main

import (
	"cmp"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/providers/measure"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/spec/plain"
)

// measuring is one call of measure.
type measuring struct {
	w where

	guest, controller string // one of them is measured
	label             string
	folder, device    string // what of it; of the guest's own, or of the host's
	write             bool
	size              string
	runs              int
	lasts             time.Duration
	file, out         string // a result that somebody has brought, and where it goes to
	asJSON            bool

	compare bool
	svg     string
}

func measureCommand() *cobra.Command {
	m := &measuring{}
	c := &cobra.Command{
		Use:   "measure LAYOUT",
		Short: "Measure a drive in a guest or on the host, and compare measurements",
		Long: `Measures how fast a drive is, where it is used: in a running guest of the layout
with --guest, before and after its controller is lent, or on the host with
--controller while that is at home. It writes a result, in which everything is
that is needed to judge it; --compare shows results beside each other, with the
limit of the link.

In a guest that runs QEMU's guest agent this needs no hand: the program
lendkeep-measure is put into a folder of its own there, its sum is checked, it
measures, the result is fetched, and the folder is removed, however it ends. The
guest must be Linux or Windows. Where there is no agent, or the guest's settings
block what is needed, it says how to do it by hand; --file then takes the result
that was brought back, and adds what the host knows.

What is measured is a folder, by a file of the program's own that is gone
afterwards, or a whole device that nothing uses, which is only ever read. In a
guest the folder is the one that the program lies in, unless --folder names another
one; on the host it is a mount of the controller's return. A file must be written
before it can be read, so a folder is only measured with --write; how many bytes
that will be is told before. Without --write a controller at home is measured as a
device, and refused while anything uses it. Unknown means in use.

Series: sequential read and write of 1 MiB at depth 8, random read and write of
4 KiB at depths 1 and 32, each run several times, past the system's caches. Each
is given by its median, least and most, with latencies and processor time.

--compare takes two results or more, the first of which the others are held
against. It says how many times as fast, and between what the ratio lies; where
the runs of two overlap, that they show no difference. What is unlike, another
size, cache mode, fill or image format, or another guest beside it, is said. Of
two results of which one was taken while another guest ran, it says what that cost.`,
		Example: `  lendkeep measure examples/larch --guest grading --label before --write -o before.json
  lendkeep measure examples/larch --guest grading --label lent --file brought.json -o lent.json
  lendkeep measure examples/larch --controller reel --label shelf -o shelf.json
  lendkeep measure --compare before.json lent.json --svg chart.svg`,
		Args: func(c *cobra.Command, arguments []string) error {
			if m.compare {
				return nil // said by compared
			}
			return cobra.ExactArgs(1)(c, arguments)
		},
		RunE: func(c *cobra.Command, arguments []string) error {
			if m.compare {
				return m.compared(c, arguments)
			}
			return m.measured(c, arguments[0])
		},
	}
	m.flags(c)
	return c
}

func (m *measuring) flags(c *cobra.Command) {
	m.w.flags(c, false)
	f := c.Flags()
	f.StringVar(&m.guest, "guest", "", "measure in this running `GUEST` of the layout")
	f.StringVar(&m.controller, "controller", "", "measure this `CONTROLLER` of the layout, which must be at home")
	f.StringVar(&m.label, "label", "", "what the result is called beside others, a `NAME`")
	f.StringVar(&m.folder, "folder", "", "measure the drive that this folder is on, a `PATH` of the guest's own, or a mount of the controller's")
	f.StringVar(&m.device, "device", "", "measure this whole device, a `PATH` of the guest's own; it is only read")
	f.BoolVar(&m.write, "write", false, "allow writing: a folder is measured with a file of its own, which is removed again")
	f.StringVar(&m.size, "size", "4GiB", "how large that file is, a `SIZE` in MiB or GiB")
	f.IntVar(&m.runs, "runs", measure.UsualRuns, "how often each series is run, a `NUMBER`")
	f.DurationVar(&m.lasts, "lasts", measure.UsualLasting, "how long a run lasts, a `TIME`")
	f.StringVar(&m.file, "file", "", "take the result in this `FILE`, which was measured by hand in the guest")
	f.StringVarP(&m.out, "output", "o", "", "write the result to this `FILE`, which must not be there yet; - is standard output")
	toStandard(c, "output")
	f.BoolVar(&m.asJSON, "json", false, "print the result, or the comparison, as JSON (lendkeep help json)")
	f.BoolVar(&m.compare, "compare", false, "compare the results in the files that are named")
	f.StringVar(&m.svg, "svg", "", "with --compare: draw the chart into this `FILE`")
	c.MarkFlagsMutuallyExclusive("guest", "controller", "compare")
	c.MarkFlagsMutuallyExclusive("folder", "device")
	c.MarkFlagsMutuallyExclusive("write", "device")
	c.MarkFlagsMutuallyExclusive("controller", "device")
	for _, other := range []string{"controller", "compare", "folder", "device", "write"} {
		c.MarkFlagsMutuallyExclusive("file", other)
	}
	c.MarkFlagsMutuallyExclusive("output", "compare")
	c.MarkFlagsMutuallyExclusive("label", "compare")
}

// measured measures, or takes what was measured by hand.
func (m *measuring) measured(c *cobra.Command, dir string) error {
	if err := m.usable(dir); err != nil {
		return err
	}
	m.w.progress = newProgress(c.ErrOrStderr())
	defer m.w.progress.end()
	defer heard(c)() // what is in a guest is removed, whoever goes
	var r speed.Result
	var err error
	switch {
	case m.controller != "":
		r, err = m.onHost(c, dir)
	case m.file != "":
		r, err = m.brought(c, dir)
	default:
		r, err = m.inGuest(c, dir)
	}
	m.w.progress.end()
	if err != nil {
		return err
	}
	return m.keep(c, r)
}

// usable refuses a call before anything is done.
func (m *measuring) usable(dir string) error {
	switch {
	case m.guest == "" && m.controller == "":
		return fail(exitUsage, "lendkeep measure "+plain.Quoted(dir)+" --guest GUEST, or --controller CONTROLLER", "it is not said what is to be measured")
	case m.svg != "":
		return fail(exitUsage, "lendkeep measure --compare BEFORE.json AFTER.json --svg FILE", "--svg needs --compare")
	case m.label == "" && m.file == "":
		return fail(exitUsage, "--label before, --label lent", "a result needs a name: --label NAME")
	case m.label != "" && !labels().MatchString(m.label):
		return fail(exitUsage, "take letters, digits, and . _ - between them", "--label cannot be %q", m.label)
	case m.out == "":
		return fail(exitUsage, "-o "+plain.Quoted(cmp.Or(m.label, "result")+".json"), "say where the result goes to: -o FILE")
	}
	switch _, err := os.Lstat(m.out); {
	case m.out == standard:
	case err == nil:
		return fail(exitUsage, "name another file", "%s is there already; a result is not written over", m.out)
	case !isFolder(filepath.Dir(m.out)):
		return fail(exitUsage, "name a file in a folder that is there", "%s cannot be written: %s is no folder", m.out, filepath.Dir(m.out))
	}
	return nil
}

// labels are names that mean nothing to a shell of any system.
var labels = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[\pL\pN][\pL\pN._-]{0,63}$`) })

// asked gives what is to be measured, where folder or device are known.
func (m *measuring) asked(form speed.Form, path string) (measure.Asked, error) {
	size, err := measure.ParseSize(m.size)
	if err != nil {
		return measure.Asked{}, foreseen(err)
	}
	a := measure.Asked{Form: form, Path: path, Write: m.write, Bytes: size, Runs: m.runs, Lasts: m.lasts, Label: m.label}
	if form == speed.Device {
		a.Bytes = 0
	}
	return a, nil
}

// foreseen says what to do about an error of measuring, where that is known.
func foreseen(err error) error {
	var known measure.Problem
	errors.As(err, &known)
	return fail(exitUsage, known.Next, "%w", err)
}

// foretold says before anything is written how much that will be.
func foretold(c *cobra.Command, a measure.Asked, where string) {
	if n := a.MostWritten(); n > 0 {
		told := text{w: c.ErrOrStderr()} // nowhere is left to report to
		told.line("This writes at most %s %s, into a file of %s that is removed again.", sizeOf(n), where, sizeOf(a.Bytes))
	}
}

// keep writes a result to its file, and shows it. It cannot be had again: where the
// file cannot be written, it goes to standard output.
func (m *measuring) keep(c *cobra.Command, r speed.Result) error {
	content, err := r.Encode()
	if err != nil {
		return fail(exitUsage, "", "%w", err)
	}
	if m.out != standard {
		err = files.WriteNew(m.out, content, files.Private)
	}
	if m.out == standard || err != nil {
		if _, shown := c.OutOrStdout().Write(content); shown != nil || err == nil {
			return shown
		}
		return fail(exitUsage, "keep what stands on standard output", "the result could not be kept: %w", err)
	}
	if m.asJSON {
		return printJSON(c.OutOrStdout(), resulted{Result: r})
	}
	return printResult(c, m.out, r)
}

// resulted is what measure --json prints of a measurement.
type resulted struct {
	Version version      `json:"version"`
	Result  speed.Result `json:"result"` // as the file of a result has it, by its own format
}

// readResult reads the file of a result.
func readResult(name string) (speed.Result, error) {
	content, err := files.Read(name, speed.MaxBytes)
	if err != nil {
		return speed.Result{}, fail(exitUsage, "name the file of a result: lendkeep measure LAYOUT -o FILE writes one", "read result: %w", err)
	}
	r, err := speed.Decode(content)
	switch is := whatIs(content); {
	case err == nil:
		return r, nil
	case is != aResult && is != "":
		return r, fail(exitUsage, "name the file of a result: lendkeep measure LAYOUT -o FILE writes one", "%s is %s, not a measurement's result", name, is)
	default:
		return r, fail(exitUsage, "measure again, or bring the file from the guest once more", "%s: %w", name, err)
	}
}

func sizeOf(bytes int64) string { return facts.Size(uint64(bytes)) }
