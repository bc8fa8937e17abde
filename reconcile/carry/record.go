package carry

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/reconcile/strict"
)

// Event is what a journal record tells.
type Event string

// The events of an order, in the sequence in which they happen.
const (
	Taken    Event = "order"    // the order was taken on; the record holds its file
	Intent   Event = "intent"   // a deed is about to be done
	Outcome  Event = "outcome"  // what came of it
	Rollback Event = "rollback" // from here on everything is undone
	Resume   Event = "resume"   // a later run goes on
	End      Event = "end"
)

// Result is what came of a deed, or of the whole order.
type Result string

// Results of deeds, then of orders.
const (
	Done     Result = "done"
	NotDone  Result = "not done"
	Unknown  Result = "unknown"
	Skipped  Result = "skipped" // it was so already, by nobody's deed of this order
	Undone   Result = "undone"
	Carried  Result = "carried out"
	Restored Result = "rolled back"
	Stuck    Result = "stuck" // a person is needed
)

// Record is one line of the journal of an order.
type Record struct {
	At     time.Time `json:"at"` // UTC, whole seconds
	Event  Event     `json:"event"`
	Step   int       `json:"step,omitempty"` // from 1
	Undo   bool      `json:"undo,omitempty"`
	Result Result    `json:"result,omitempty"`
	Silent bool      `json:"silent,omitempty"` // the deed never answered, so it may still take effect
	Note   string    `json:"note,omitempty"`
	// With Taken: the number of the journal among the host's, from 1 (none in those
	// from before there were numbers), and the order file.
	Sequence int    `json:"sequence,omitempty"`
	Order    string `json:"order,omitempty"`
}

// encode writes a record as one line without its end. An order in it is at most
// twice as long as its file, since only quotes, backslashes and line feeds are
// escaped.
func (r Record) encode() ([]byte, error) {
	var line bytes.Buffer
	encoder := json.NewEncoder(&line)
	encoder.SetEscapeHTML(false)
	err := encoder.Encode(r)
	return bytes.TrimSuffix(line.Bytes(), []byte("\n")), err
}

// maxBytes bounds a record: one with an order.
const maxBytes = 2*order.MaxBytes + 1<<20

// Outline is what the records of a journal tell by themselves, whatever version
// its order is of.
type Outline struct {
	Sequence int    // 0: the journal has no number
	Begun    bool   // it holds an order
	Ended    Result // Carried, Restored or Stuck; empty: it has not ended
	Note     string // what the last record that ended or turned it said
	Started  time.Time
	Last     time.Time // of the last record
}

// Outlined reads the records of a journal without its order. No records are an
// order that was not begun.
func Outlined(records [][]byte) (Outline, error) {
	var outline Outline
	err := each(records, outline.add)
	return outline, err
}

func each(records [][]byte, add func(Record) error) error {
	for n, content := range records {
		var r Record
		err := strict.Read(content, maxBytes, &r)
		if err == nil {
			err = add(r)
		}
		if err != nil {
			return fmt.Errorf("read journal record %d: %w", n+1, err)
		}
	}
	return nil
}

func (o *Outline) add(r Record) error {
	switch {
	case r.Event == Taken && o.Begun:
		return errors.New("a second order")
	case r.Event == Taken:
		o.Begun, o.Sequence, o.Started, o.Last = true, r.Sequence, r.At, r.At
		return nil
	case !o.Begun:
		return fmt.Errorf("%s comes before the order", r.Event)
	}
	o.Last = r.At
	switch r.Event {
	case Intent, Outcome, Resume:
		o.Ended = "" // whatever it said before
	case Rollback:
		o.Ended, o.Note = "", r.Note
	case End:
		if r.Result != Carried && r.Result != Restored && r.Result != Stuck {
			return fmt.Errorf("an order that ended as %q", r.Result)
		}
		o.Ended, o.Note = r.Result, r.Note
	default:
		return fmt.Errorf("unknown event %q", r.Event)
	}
	return nil
}

// Report is what the records of a journal come to. It is a fold over them, so
// that what is shown while an order runs and what is read after a crash cannot
// disagree.
type Report struct {
	Outline
	Sealed order.Sealed
	Steps  []StepReport // one for each step of the order
	Back   bool         // rolling back has begun
	Hung   []int        // steps that never answered, from 1
}

// StepReport is how far one step has come.
type StepReport struct {
	About  step.About
	Intent bool   // a deed was begun and its outcome is not recorded
	Undo   bool   // that deed is the undoing
	Result Result // last recorded outcome; empty: not begun
	Note   string
}

// Fold reads the records of a journal. An order of another version is
// order.ErrOtherVersion: only the lendkeep that began it can go on with it.
func Fold(records [][]byte) (Report, error) {
	var report Report
	if err := each(records, report.add); err != nil {
		return Report{}, err
	}
	if !report.Begun {
		return Report{}, errors.New("read journal: it holds no order; nothing of it was begun")
	}
	return report, nil
}

func (p *Report) add(r Record) error {
	if err := p.Outline.add(r); err != nil {
		return err
	}
	switch r.Event {
	case Taken:
		return p.take(r)
	case Rollback:
		p.Back = true
	case Intent, Outcome:
		if r.Step < 1 || r.Step > len(p.Steps) {
			return fmt.Errorf("the order has no step %d", r.Step)
		}
		p.addStep(&p.Steps[r.Step-1], r)
	}
	return nil
}

func (p *Report) take(r Record) error {
	sealed, err := order.Open([]byte(r.Order))
	if err != nil {
		return err
	}
	p.Sealed = sealed
	p.Steps = make([]StepReport, len(sealed.Order.Steps))
	for n, w := range sealed.Order.Steps {
		p.Steps[n].About = w.Step.About()
	}
	return nil
}

func (p *Report) addStep(s *StepReport, r Record) {
	s.Intent, s.Undo, s.Note = r.Event == Intent, r.Undo, r.Note
	if r.Event == Outcome {
		s.Result = r.Result
		if r.Silent {
			p.Hung = append(p.Hung, r.Step)
		}
	}
}

// touched tells whether anything of the step may be in force.
func (s StepReport) touched() bool {
	return s.Intent || s.Result == Done || s.Result == Unknown || s.Undo && s.Result == NotDone
}

// superseded tells whether a later step that is done gave a contrary value to
// something this one gave: a guest stopped, then started again.
func (p Report) superseded(n int) bool {
	return p.Steps[n].settled() && p.later(n, step.Supersedes)
}

// hidden tells whether a later step that was begun keeps the effect of one from
// being seen: what is on a drive that is lent meanwhile.
func (p Report) hidden(n int) bool { return p.later(n, step.Hides) }

// later tells whether a later step that was begun stands so to one.
func (p Report) later(n int, stands func(later, earlier step.About) bool) bool {
	for _, r := range p.Steps[n+1:] {
		if (r.Intent || r.Result == Done) && stands(r.About, p.Steps[n].About) {
			return true
		}
	}
	return false
}

// settled tells whether the step came to be in force, by its deed or before it.
func (s StepReport) settled() bool { return s.Result == Done || s.Result == Skipped }

// fallen says in words what an order that was carried out has left and no longer
// stands on the host, step by step; none: everything does. What a later step of
// the order keeps from being seen does not count.
func (p Report) fallen(ix *facts.Index) []string {
	var list []string
	for n, s := range p.Steps {
		if !s.settled() || p.superseded(n) {
			continue
		}
		standing, seen := p.Sealed.Order.Steps[n].Step.Stands(ix)
		if standing != step.After && !(standing == step.Neither && p.hidden(n)) {
			list = append(list, fmt.Sprintf("step %d (%s): %s", n+1, s.About.Does, seen))
		}
	}
	return list
}
