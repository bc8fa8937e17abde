package guard

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// Return is what the guard makes of controllers that a guest has let go.
type Return struct {
	Mount []Mounting
	Wait  []string // what is not there yet; a look a little later may find it
	Wrong []string // what keeps a mount from being made, in words for the operator
}

// Mounting is a mount to be made.
type Mounting struct {
	Device string // below /dev, as named at this moment
	Mount
}

// After decides what is mounted when a guest has ended. libvirt says that too
// of a start that was refused, also while another guest has the controller:
// one that is on a VFIO driver is left alone. While an order is carried out,
// mounts are its matter.
func After(r Rules, ix *facts.Index, call Call) Return {
	var made Return
	if call.Ordered {
		return made
	}
	guest := r.guest(call.Guest)
	for i := range r.Controllers {
		c := &r.Controllers[i]
		named := slices.ContainsFunc(call.Definition.Lent, func(l facts.Lent) bool { return l.Address == c.Record.Address })
		if named || slices.Contains(guest.Borrows, c.Record.Controller) {
			made.back(ix, c)
		}
	}
	return made
}

func (r *Return) back(ix *facts.Index, c *Controller) {
	name := c.Record.Controller
	where, f, _ := ix.Where(c.Record)
	switch {
	case where == facts.Aside || where == facts.Away:
		return
	case where == facts.Gone || f.Driver == "" && len(c.Mounts) > 0: // a card may have no driver at home
		r.Wait = append(r.Wait, fmt.Sprintf("controller %s is not back with the host", name))
		return
	case c.SizeBytes != 0 && sizeOf(f) == 0:
		// The kernel shows the controller before it has looked for its drives.
		r.Wait = append(r.Wait, fmt.Sprintf("the drive of controller %s has not appeared", name))
		return
	}
	if err := c.alike(f); err != nil {
		r.Wrong = append(r.Wrong, err.Error())
		return
	}
	for _, m := range c.Mounts {
		r.mount(ix, f, name, m)
	}
}

func (r *Return) mount(ix *facts.Index, f *facts.Function, controller string, m Mount) {
	what := fmt.Sprintf("%s of controller %s", m.Partition, controller)
	part := ix.PartitionNamed(f.Address, m.Partition)
	if part == nil || len(part.Gaps) > 0 || part.Signature == nil {
		r.Wait = append(r.Wait, fmt.Sprintf("partition %s, or the filesystem on it, has not appeared", what))
		return
	}
	there := ix.MountAt(m.Path)
	switch {
	case there != nil && there.Devno == part.Devno:
	case there != nil:
		r.wrong(what, "%s is mounted at %s", there.Source, m.Path)
	case m.PartitionID != "" && part.Partition.ID != m.PartitionID:
		r.wrong(what, "it has the id %s, by the rules %s", part.Partition.ID, m.PartitionID)
	case part.Signature.Usage != "filesystem" || m.FSType != "" && part.Signature.Kind != m.FSType:
		r.wrong(what, "it holds %s, by the rules %s", part.Signature.Kind, m.FSType)
	case used(ix, part) != "":
		r.wrong(what, "it is in use: %s", used(ix, part))
	default:
		r.Mount = append(r.Mount, Mounting{"/dev/" + part.Name, m})
	}
}

func (r *Return) wrong(what, format string, values ...any) {
	r.Wrong = append(r.Wrong, "partition "+what+" was not mounted: "+fmt.Sprintf(format, values...))
}

// used names a use of exactly this partition: mounted elsewhere, or a volume
// that the host has assembled from it.
func used(ix *facts.Index, part *facts.Block) string {
	for _, use := range ix.LiveUses(*part.Controller) {
		if slices.ContainsFunc(use.Chain, func(title string) bool { return title == part.Name || strings.HasPrefix(title, part.Name+" ") }) {
			return use.String()
		}
	}
	return ""
}
