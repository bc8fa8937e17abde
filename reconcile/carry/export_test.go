package carry

import "fmt"

// Plant makes the carrier wrong in one way, to see that a sweep finds it.
func Plant(c Carrier, mistake string) *Carrier {
	switch mistake {
	case "":
	case "no intent is noted":
		c.faults.noIntent = true
	case "the deed's answer is believed":
		c.faults.believe = true
	case "undone in the wrong sequence":
		c.faults.forwardUndo = true
	case "undone without a look at the host":
		c.faults.unguardedUndo = true
	default:
		panic(fmt.Sprintf("no mistake is called %q", mistake))
	}
	return &c
}
