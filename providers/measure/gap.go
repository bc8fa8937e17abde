package measure

import (
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// gap is something that could not be found out, in texts that a result may hold.
func gap(fact, path, reason string) facts.Gap {
	return facts.Gap{Fact: speed.Text(fact), Path: speed.Text(path), Reason: speed.Text(reason)}
}
