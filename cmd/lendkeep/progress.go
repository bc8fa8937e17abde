package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/providers/files"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// progress tells at a terminal how far something has come that takes longer
// than a moment, and how long it will still take: on one line of standard error,
// which goes again. Where there is no terminal nothing is told.
type progress struct {
	line *screen.Fleeting // nil: nobody is there to see it
	now  func() time.Time

	turn  sync.Mutex    // of beginning and ending
	quit  chan struct{} // nil: nothing is under way
	ended sync.WaitGroup
	usual time.Duration // how long reading the host takes; 0: not known

	mu    sync.Mutex // over what follows, of the phase that is under way
	phase string
	began time.Time
	from  uint64 // what was done when it began
	done  uint64
	total uint64 // 0: not known
}

// For how long nothing is told, and how often it is then told anew.
const (
	patience = 2 * time.Second
	beat     = 250 * time.Millisecond
)

func newProgress(told io.Writer) *progress {
	p := &progress{line: screen.On(told).Fleeting(), now: time.Now}
	if p.line != nil {
		p.usual = lastReading()
	}
	return p
}

// copied is told how many bytes of a phase are done.
func (p *progress) copied(phase string, done, total uint64) { p.count(phase, done, total, rated) }

// counted is told how many pieces of a phase are done.
func (p *progress) counted(phase string, done, total int) {
	p.count(phase, uint64(done), uint64(total), pieces)
}

func (p *progress) count(phase string, done, total uint64, say saying) {
	if p == nil || p.line == nil {
		return
	}
	p.mu.Lock()
	fresh := phase != p.phase
	p.done = done
	p.mu.Unlock()
	if fresh {
		p.begin(phase, done, total, say)
	}
	if done == total {
		p.end()
	}
}

// awaited begins something of which only is known about how long it takes; 0:
// not even that.
func (p *progress) awaited(phase string, takes time.Duration) {
	if p != nil && p.line != nil {
		p.begin(phase, 0, uint64(takes), waited)
	}
}

// saying tells of a phase that has taken so long.
type saying func(p *progress, took time.Duration) string

func (p *progress) begin(phase string, done, total uint64, say saying) {
	p.turn.Lock()
	defer p.turn.Unlock()
	p.over()
	p.mu.Lock()
	p.phase, p.began, p.from, p.done, p.total = phase, p.now(), done, done, total
	p.mu.Unlock()
	quit := make(chan struct{})
	p.quit = quit
	p.ended.Go(func() { p.tell(quit, say) })
}

// tell shows the phase until it is over.
func (p *progress) tell(quit chan struct{}, say saying) {
	wait := time.NewTimer(patience)
	defer wait.Stop()
	shown := false
	for {
		select {
		case <-quit:
			if shown {
				p.line.Clear()
			}
			return
		case <-wait.C:
			shown = true
			p.mu.Lock()
			text := say(p, p.now().Sub(p.began))
			p.mu.Unlock()
			p.line.Show(text)
			wait.Reset(beat)
		}
	}
}

// end takes away what is told, whether the phase has come to its end or not.
func (p *progress) end() {
	if p != nil {
		p.turn.Lock()
		defer p.turn.Unlock()
		p.over()
	}
}

func (p *progress) over() {
	if p.quit == nil {
		return
	}
	close(p.quit)
	p.ended.Wait()
	p.quit = nil
	p.mu.Lock()
	defer p.mu.Unlock()
	if took := p.now().Sub(p.began); p.phase == readingHost && (p.usual == 0 || took < p.usual) {
		p.usual = took // in an order a look may also wait for what a step has set going
	}
	p.phase = ""
}

func rated(p *progress, took time.Duration) string {
	text := fmt.Sprintf("%s: %s of %s", p.phase, facts.Size(p.done), facts.Size(p.total))
	if p.done > p.from && took > 0 {
		text += fmt.Sprintf(", %s/s", facts.Size(uint64(float64(p.done-p.from)/took.Seconds())))
	}
	return text + p.left(took)
}

func pieces(p *progress, took time.Duration) string {
	return fmt.Sprintf("%s: %d of %d", p.phase, p.done, p.total) + p.left(took)
}

// left tells how long the rest takes at the pace so far.
func (p *progress) left(took time.Duration) string {
	if p.done <= p.from {
		return ""
	}
	rest := time.Duration(float64(took) * float64(p.total-p.done) / float64(p.done-p.from))
	return ", left " + round(rest)
}

func waited(p *progress, took time.Duration) string {
	text := p.phase + ", " + round(took)
	if rest := time.Duration(p.total) - took; rest > 0 {
		text += ", left about " + round(rest)
	}
	return text
}

// readingHost is the phase in which only facts are read.
const readingHost = "reading the host"

// reading begins that phase, which takes about as long as it did before.
func (p *progress) reading() {
	if p != nil {
		p.awaited(readingHost, p.usual)
	}
}

// lastReading gives how long it took the last time that it took long.
func lastReading() time.Duration {
	content, err := files.Read(cached(readingFile), mostReading)
	if err != nil {
		return 0
	}
	took, err := time.ParseDuration(string(content))
	if err != nil || took < 0 {
		return 0
	}
	return took
}

// keepReading keeps it for later calls, where it is long enough to be told. They are
// told nothing where it cannot be kept.
func keepReading(took time.Duration) {
	if name := cached(readingFile); name != "" && took > patience && os.MkdirAll(filepath.Dir(name), 0o700) == nil {
		_ = files.Write(name, []byte(took.String()), files.Private)
	}
}

const (
	readingFile = "reading-took"
	mostReading = 64 // bytes: a duration in words
)

// follow tells what an order is at after an event of its journal. A step by hand
// waits for a person, who is asked on the same terminal.
func (p *progress) follow(report carry.Report, r carry.Record) {
	switch r.Event {
	case carry.Intent:
		if _, hand := report.Sealed.Order.Steps[r.Step-1].Step.(*step.ByHand); hand && !r.Undo {
			return
		}
		about := report.Steps[r.Step-1].About
		p.awaited(fmt.Sprintf("step %d of %d: %s", r.Step, len(report.Steps), about.Does), about.Takes)
	case carry.End:
	default:
		p.reading()
	}
}
