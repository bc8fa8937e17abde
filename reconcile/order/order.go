// Package order writes the plan: which steps take a host from what was seen to
// what the layout says, in which sequence, on which facts that relies, and how
// it is approved. It is pure. Start at Plan.
package order

import (
	"fmt"
	"time"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Format is the version of the order file; another version is refused.
const Format = 2

// Order is a plan that can be approved and carried out. The same layout and
// the same survey give the same order, to the byte.
type Order struct {
	Format      int              `json:"format"`
	Host        string           `json:"host"`
	Machine     string           `json:"machine"` // facts.Machine.ID of the host, whatever its name
	Libvirt     string           `json:"libvirt"` // connection URI, as the layout states it
	LayoutDir   string           `json:"layout_dir"`
	LayoutHash  string           `json:"layout_hash"`
	Shift       string           `json:"shift,omitempty"`
	SurveyedAt  time.Time        `json:"surveyed_at"`
	Steps       []step.Written   `json:"steps"`
	Controllers []facts.Identity `json:"controllers"` // those that steps or facts below speak of
	Relies      []Reliance       `json:"relies"`
	Findings    []assess.Finding `json:"findings"` // cautions and notes, to be read before approving
}

// Takes estimates how long the order takes in all.
func (o Order) Takes() time.Duration {
	var sum time.Duration
	for _, s := range o.Steps {
		sum += s.Step.About().Takes
	}
	return sum
}

// Plan writes the order for a case without stop findings. A case whose steps
// cannot be sequenced is an error: it needs a person.
func Plan(c *assess.Case, findings []assess.Finding) (Order, error) {
	if assess.Stops(findings) {
		return Order{}, fmt.Errorf("write order: findings stop it")
	}
	p := planner{c: c}
	if err := p.plan(); err != nil {
		return Order{}, fmt.Errorf("write order: %w", err)
	}
	steps, err := sequence(p.steps, p.initially)
	if err != nil {
		return Order{}, fmt.Errorf("write order: %w", err)
	}
	o := Order{
		Format: Format, Host: c.Layout.Host.Name, Machine: c.Facts.Survey.Machine.ID, Libvirt: c.Layout.Host.Libvirt,
		LayoutDir: c.Layout.Dir, LayoutHash: c.Layout.Hash,
		SurveyedAt: c.Facts.Survey.TakenAt,
		Steps:      steps, Controllers: []facts.Identity{}, Relies: []Reliance{}, Findings: findings,
	}
	if c.Shift != nil {
		o.Shift = c.Shift.Name
	}
	subjects := subjectsOf(c, steps)
	for i := range c.Layout.Controllers {
		found := c.Found(c.Layout.Controllers[i].Name)
		if found.Function != nil && subjects[controllerNamed(found.Controller.Name)] {
			o.Controllers = append(o.Controllers, found.Identity())
		}
	}
	if o.Relies, err = rely(c.Facts, subjects, o.Controllers); err != nil {
		return Order{}, fmt.Errorf("write order: %w", err)
	}
	return o, nil
}
