package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

// progress shows how far a copy has come: as a bar at a terminal, else as a line
// now and then.
type progress struct {
	out  io.Writer
	now  func() time.Time
	bars *mpb.Progress
	bar  *mpb.Bar

	phase   string
	began   time.Time // of the phase
	from    uint64    // what was done when it began
	printed time.Time
}

// every is how often a line is printed where there is no terminal.
const every = 10 * time.Second

func newProgress(out io.Writer) *progress { return &progress{out: out, now: time.Now} }

// watch is told how many bytes of a phase are done.
func (p *progress) watch(phase string, done, total uint64) {
	if phase != p.phase {
		p.end()
		p.phase, p.began, p.printed, p.from = phase, p.now(), p.now(), done
		p.begin(done, total)
	}
	switch {
	case p.bar != nil:
		p.bar.SetCurrent(int64(done))
	case p.now().Sub(p.printed) >= every || done == total:
		p.printed = p.now()
		fmt.Fprintln(p.out, p.line(done, total))
	}
	if done == total {
		p.end()
	}
}

func (p *progress) begin(done, total uint64) {
	out, _ := p.out.(plain.Writer) // a bar has control characters of its own
	file, ok := out.Out.(*os.File)
	if !ok || !term.IsTerminal(int(file.Fd())) {
		return
	}
	p.bars = mpb.New(mpb.WithOutput(file), mpb.WithWidth(40))
	p.bar = p.bars.AddBar(int64(total),
		mpb.PrependDecorators(decor.Name("          "+p.phase+" ")),
		mpb.AppendDecorators(decor.CountersKibiByte("% .1f of % .1f", decor.WCSyncSpace), decor.AverageSpeed(decor.SizeB1024(0), ", % .1f"), decor.Name(", left "), decor.AverageETA(decor.ET_STYLE_GO)))
	p.bar.SetCurrent(int64(done))
}

// end lets go of the terminal, whether the phase has come to its end or not.
func (p *progress) end() {
	if p.bar != nil {
		p.bar.Abort(false)
		p.bars.Wait()
		p.bar = nil
	}
}

func (p *progress) line(done, total uint64) string {
	text := fmt.Sprintf("          %s: %s of %s", p.phase, facts.Size(done), facts.Size(total))
	took := p.now().Sub(p.began)
	if took < time.Second || done <= p.from {
		return text
	}
	rate := float64(done-p.from) / took.Seconds()
	left := time.Duration(float64(total-done)/rate) * time.Second
	return fmt.Sprintf("%s, %s/s, left %s", text, facts.Size(uint64(rate)), left)
}
