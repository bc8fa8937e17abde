package facts

import (
	"errors"
	"fmt"
)

// Remakable says why a function must not make another number of virtual functions now:
// what the kernel would refuse, and who has one of those that go.
func (ix *Index) Remakable(f *Function, count int) error {
	made := ix.Virtuals(f.Address)
	switch {
	case f.Driver == "" || f.OnVFIO():
		return fmt.Errorf("no driver of the host's has %s, and the kernel makes none without it", f.Address)
	case count > f.VirtualMost:
		return fmt.Errorf("%s makes %d at most", f.Title(), f.VirtualMost)
	case len(made) != f.Virtual:
		return fmt.Errorf("%d of them were seen, of %d that %s has", len(made), f.Virtual, f.Address)
	}
	for _, v := range made {
		if why := ix.InTheWay(v); why != "" {
			return errors.New(why)
		}
	}
	return nil
}

// InTheWay says who has a virtual function or uses it, or what somebody has set up of it,
// so that it must not go; empty: nobody and nothing that the survey shows.
func (ix *Index) InTheWay(v *Function) string {
	holder := ix.Holder(v.Address)
	switch uses := ix.OwnLiveUses(v.Address); {
	case holder != nil:
		return fmt.Sprintf("guest %s has %s", holder.Name, v.Title())
	case v.OnVFIO():
		return v.Title() + " is on VFIO"
	case len(v.Gaps) > 0:
		return fmt.Sprintf("%s of %s is not known: %s: %s", v.Gaps[0].Fact, v.Title(), v.Gaps[0].Path, v.Gaps[0].Reason)
	case v.NVMe != nil: // nothing that an order does sets it up again
		return "the host's nvme driver has " + v.Title() + ", with the queues and interrupts that its parent was told to give it"
	case len(uses) > 0:
		return "the host uses " + v.Title() + ": " + uses[0].Told()
	}
	return ""
}
