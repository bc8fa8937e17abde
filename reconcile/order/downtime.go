package order

import (
	"fmt"
	"time"

	"lendkeep/reconcile/step"
)

// Downtime is how long a guest is off while an order is carried out.
type Downtime struct {
	Guest string
	For   time.Duration // estimated; with Stays from then on
	Stays bool          // it is not started again
}

// String tells it in a sentence.
func (d Downtime) String() string {
	if d.Stays {
		return fmt.Sprintf("Guest %s is off from then on.", d.Guest)
	}
	return fmt.Sprintf("Guest %s is down for about %s.", d.Guest, d.For.Round(time.Second))
}

// Downtimes estimates how long each guest that the order stops is down: from
// the start of its shutdown to the end of its start.
func (o Order) Downtimes() []Downtime {
	var list []Downtime
	for n, w := range o.Steps {
		stop, ok := w.Step.(*step.StopGuest)
		if !ok {
			continue
		}
		d := Downtime{Guest: stop.Guest, Stays: true}
		for _, later := range o.Steps[n:] {
			d.For += later.Step.About().Takes
			if start, ok := later.Step.(*step.StartGuest); ok && start.Guest == stop.Guest {
				d.Stays = false
				break
			}
		}
		list = append(list, d)
	}
	return list
}
