package definition

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// fittings are what a new guest gets for the sake of its system: elements of its
// definition by their place, and sentences for the operator. What libvirt does
// not offer (facts.Offers) is left out, and that is said.
type fittings struct {
	features string // in <features>
	cpu      string // in <cpu>
	clock    string
	devices  string // at the end of <devices>
	says     []string
}

const utc = "<clock offset='utc'/>"

func fit(w Wanted) fittings {
	switch w.System {
	case "windows":
		return forWindows(w)
	case "linux":
		return forLinux(w)
	default:
		return fittings{clock: utc}
	}
}

// forWindows has the hardware's clock in local time, which Windows takes it for
// (libvirt domain format, "Time keeping"), timers that lose no ticks under KVM
// (common practice), and all processors in one socket: of sockets Windows uses
// one or two, by its edition (from memory).
func forWindows(w Wanted) fittings {
	f := fittings{says: []string{"its clock is in local time"}}
	timers := ""
	if cmp.Or(w.Type, "kvm") == "kvm" {
		timers = "\n    <timer name='rtc' tickpolicy='catchup'/>\n    <timer name='pit' tickpolicy='delay'/>\n    <timer name='hpet' present='no'/>"
	}
	if w.CPUs > 1 {
		f.cpu = fmt.Sprintf("\n    <topology sockets='1' dies='1' cores='%d' threads='1'/>", w.CPUs)
		f.says = append(f.says, fmt.Sprintf("its processors are one socket with %d cores", w.CPUs))
	}
	if names, elements := enlightened(w.Offers.HyperV); len(names) > 0 {
		f.features = "\n    <hyperv mode='custom'>" + elements + "\n    </hyperv>"
		timers += "\n    <timer name='hypervclock' present='yes'/>"
		f.says = append(f.says, "Hyper-V enlightenments: "+strings.Join(names, ", ")+", and their clock")
	} else {
		f.says = append(f.says, "no Hyper-V enlightenments: "+w.unoffered())
	}
	if model := w.tpm(); model != "" {
		f.devices += "\n    <tpm model='" + model + "'>\n      <backend type='emulator' version='2.0'/>\n    </tpm>"
		f.says = append(f.says, "a TPM 2.0 ("+model+"), which swtpm keeps on the host")
	} else {
		f.says = append(f.says, "no TPM 2.0, which Windows 11 asks for: "+w.unoffered()+" (swtpm gives one; Debian packages swtpm and swtpm-tools)")
	}
	f.clock = "<clock offset='localtime'/>"
	if timers != "" {
		f.clock = "<clock offset='localtime'>" + timers + "\n  </clock>"
	}
	return f
}

// forLinux has the hardware's clock in UTC and the host's random bytes, so that
// a first boot with little of its own need not wait (random(7); virtio
// specification 1.2, 5.4).
func forLinux(w Wanted) fittings {
	f := fittings{clock: utc, says: []string{"its clock is in UTC"}}
	if !w.Offers.Random {
		f.says = append(f.says, "no random bytes of the host's: "+w.unoffered())
		return f
	}
	f.devices = "\n    <rng model='virtio'>\n      <backend model='random'>/dev/urandom</backend>\n    </rng>"
	f.says = append(f.says, "random bytes of the host's, by virtio")
	return f
}

// unoffered says why something is left out.
func (w Wanted) unoffered() string {
	if w.Offers.Why != "" {
		return "what libvirt offers is not known: " + w.Offers.Why
	}
	return "libvirt offers none here"
}

// tpm chooses the model: the newer interface first, which a TPM 2.0 may have
// (libvirt domain format, "TPM device").
func (w Wanted) tpm() string {
	for _, model := range []string{"tpm-crb", "tpm-tis"} {
		if slices.Contains(w.Offers.TPM, model) {
			return model
		}
	}
	return ""
}

// enlightenment is one of Hyper-V's that libvirt knows by that name.
type enlightenment struct {
	name  string
	needs []string
	with  string // attributes besides that it is on
	not   string // why a guest does not get it; empty: it does
}

// enlightenments go by QEMU's own advice (docs/system/i386/hyperv.rst,
// "Recommendations" and "Existing enlightenments"): all but those that serve
// debugging, other hypervisors within the guest, or need hardware that libvirt
// says nothing of. One that is not here no guest gets; a test walks libvirt's
// schema.
var enlightenments = []enlightenment{
	{name: "relaxed"},
	{name: "vapic"},
	{name: "spinlocks", with: " retries='4095'"}, // 0xfff, for hosts whose processors are shared
	{name: "vpindex"},
	{name: "runtime"},
	{name: "synic", needs: []string{"vpindex"}},
	{name: "stimer", needs: []string{"vpindex", "synic"}},
	{name: "reset", not: "Windows does not use it"},
	{name: "vendor_id", not: "it is none: guests are not supposed to look at it"},
	{name: "frequencies"},
	{name: "reenlightenment", not: "for hypervisors within the guest, and needs hardware that scales its clock"},
	{name: "tlbflush", needs: []string{"vpindex"}},
	{name: "ipi", needs: []string{"vpindex"}},
	{name: "evmcs", not: "for hypervisors within the guest; takes posted interrupts away"},
	{name: "avic", not: "harmful without hardware for it, of which libvirt says nothing"},
}

// enlightened gives those that are offered with all that they need, by name and
// as elements.
func enlightened(offered []string) (names []string, elements string) {
	for _, e := range enlightenments {
		if e.not != "" || !slices.Contains(offered, e.name) || slices.ContainsFunc(e.needs, func(n string) bool { return !slices.Contains(names, n) }) {
			continue
		}
		names = append(names, e.name)
		elements += "\n      <" + e.name + " state='on'" + e.with + "/>"
	}
	return names, elements
}
