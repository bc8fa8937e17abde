package assess

import (
	"cmp"
	"fmt"
	"strings"

	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

// judge makes the findings about the start of one guest's system.
type judge struct {
	c      *Case
	g      *spec.Guest
	at     spec.Place
	starts Starts
	mend   *facts.Answer
	copied bool // the order copies it there
	list   []Finding
}

func (j *judge) say(severity Severity, summary, detail string, causes []Cause, remedies ...string) {
	j.list = append(j.list, Finding{Severity: severity, At: j.at, Summary: shorten(summary), Detail: detail, Causes: causes, Remedies: remedies})
}

func (j *judge) findings() []Finding {
	j.contradiction()
	var open, good []facts.Answer
	for _, q := range facts.Matters(j.starts.System) {
		switch a := j.starts.Sight.Answer(q); {
		case q == facts.AsksDriver && j.mend != nil:
			j.say(Note, "the order lets "+j.g.Name+"'s NVMe driver start at boot", "It is set not to. A few bytes of the drive's own copy are changed; the image stays as it is.", []Cause{j.cause(a)}, "read the step: it can be undone", keepImage)
		case a.Says == facts.Absent:
			j.wrong(a)
		case a.Says == facts.Present:
			good = append(good, a)
		default:
			open = append(open, a)
		}
	}
	if j.copied {
		j.pending()
		j.known(good, open)
	}
	return j.list
}

// contradiction compares what the layout states with what was seen. Where a
// system is copied, the wrong image may be meant.
func (j *judge) contradiction() {
	kind := j.starts.Sight.Kind()
	if kind == "" || j.g.System == "" || kind == j.g.System {
		return
	}
	severity := Caution
	if j.copied {
		severity = Stop
	}
	j.say(severity, "system of guest "+j.g.Name+" is "+kind+", not "+j.g.System, "Steps that are right for one system are not for the other, or another disk is meant.",
		[]Cause{{j.starts.Sight.Of, cmp.Or(j.starts.Sight.System.Name, kind)}, {j.g.At.String(), "system = " + j.g.System}},
		"see that the right image is named", "take system = \""+j.g.System+"\" out of guest "+j.g.Name+", or state what it is")
}

// wrong tells what was seen to be not as it must be. Without its driver, its
// disks or its kernel a system does not start at all.
func (j *judge) wrong(a facts.Answer) {
	m := mistakes[j.starts.System+" "+string(a.Question)]
	severity := Caution
	switch {
	case !j.copied && !m.lasting:
		return
	case (j.copied && m.fatal || m.there) && j.c.Runs(j.g):
		severity = Stop
	}
	remedies := append([]string{}, m.remedies...)
	if a.Question == facts.AsksDriver && j.starts.System == "linux" {
		remedies = append([]string{"look into it in the guest: lsinitramfs, lsinitrd or lsinitcpio lists nvme.ko where it is there"}, facts.InitramfsCommands(j.starts.Sight.System.Name)...)
	}
	if severity == Stop {
		remedies = append(remedies, "leave boots out of guest "+j.g.Name+" until then")
	}
	j.say(severity, fmt.Sprintf(m.summary, j.g.Name), m.detail, []Cause{j.cause(a)}, remedies...)
}

// pending tells of a restart that the system waits for.
func (j *judge) pending() {
	if a := j.starts.Sight.Answer(facts.AsksPending); a.Says == facts.Absent {
		j.say(Caution, "guest "+j.g.Name+" waits for a restart", "What an update has begun is ended at the next start, which would be the first from the drive.", []Cause{j.cause(a)},
			"restart the guest until nothing waits, then plan again")
	}
}

const keepImage = "keep the image until it has started well from the drive"

// known tells what is as it must be, and what nobody could see: that a person
// looks after, by the steps of the order.
func (j *judge) known(good, open []facts.Answer) {
	name := j.g.Name
	if len(good) > 0 {
		detail := "It is as it must be, so the order asks nobody for it."
		if j.starts.System == "windows" {
			detail += " Of Windows that is proved by formats, not by a start."
		}
		j.say(Note, "guest "+name+" starts from NVMe, as far as was seen", detail, j.causes(good), keepImage)
	}
	switch {
	case facts.Matters(j.starts.System) == nil:
		j.say(Caution, "which system guest "+name+" runs is not stated", "It could not be seen either, so the order has no steps by hand for it.",
			[]Cause{{j.g.At.String(), "system = " + cmp.Or(j.g.System, none)}, {j.g.At.String(), "not seen: " + j.starts.Sight.Why}},
			"state system = \"windows\" or \"linux\" in guest "+name)
	case len(open) > 0:
		j.say(Caution, "whether "+name+" starts from NVMe is not known", "What nobody saw may be wrong. "+j.meaning(open), j.causes(open), "do the steps by hand that the order lists")
	}
}

// meaning says what it would mean if these were not as they must be.
func (j *judge) meaning(list []facts.Answer) string {
	var text []string
	for _, a := range list {
		text = append(text, mistakes[j.starts.System+" "+string(a.Question)].detail)
	}
	return strings.Join(text, " ")
}

func (j *judge) causes(of []facts.Answer) (list []Cause) {
	for _, a := range of {
		list = append(list, j.cause(a))
	}
	return list
}

// cause tells one answer: where it was read, and what stands there.
func (j *judge) cause(a facts.Answer) Cause {
	of := cmp.Or(j.starts.Sight.Of, "guest "+j.g.Name)
	if a.Where != "" {
		of += ", " + a.Where
	}
	value := string(a.Question) + ": " + cmp.Or(a.Seen, none)
	if a.Says == facts.Unknown {
		value = string(a.Question) + " is not known: " + cmp.Or(a.Seen, none)
	}
	return Cause{of, value}
}

// mistake is what it means when something is not as it must be.
type mistake struct {
	summary, detail string
	fatal           bool // it does not start from the copy then
	lasting         bool // it matters on a drive where it is already
	there           bool // it does not start there either; else another driver may start it, or the name be the drive's own
	remedies        []string
}

// mistakes go by system and question. Windows: Microsoft, "INACCESSIBLE_BOOT_DEVICE",
// and "BitLocker recovery"; Linux: initramfs-tools(7), fstab(5), systemd.mount(5).
var mistakes = map[string]mistake{
	"windows driver": {"guest %s does not start its NVMe driver at boot", "Windows stops at its first start from the drive: INACCESSIBLE_BOOT_DEVICE.", true, true, false,
		[]string{"shut it down in full and plan again: while it is off an order may mend the copy", "start it once with the controller lent as a second disk beside its image (a layout without copy_of and boots), then shut it down in full"}},
	"windows encryption": {"drive encryption of %s is bound to its old disk", "At its first start from the drive Windows asks for the recovery key.", false, false, false,
		[]string{"do the step by hand that the order lists", "have the recovery key at hand"}},
	"windows fast startup": {"shutting down guest %s hibernates it", "A hibernated system is not copied: it would go on from its saved memory, which knows the image as its disk.", false, false, false,
		[]string{"do the step by hand that the order lists"}},
	"linux driver": {"guest %s lacks its NVMe driver at start", "Neither its initramfs nor its kernel holds nvme, so it does not find its root filesystem on the drive.", true, true, true, nil},
	"linux names": {"guest %s names its old disk", "A name like /dev/vda leads nowhere on the drive, and its start waits for it in vain.", true, true, false,
		[]string{"write UUID= instead, as lsblk -o NAME,UUID shows it, where that was seen", "then make the loader's entries anew: update-grub, or grub-mkconfig -o /boot/grub/grub.cfg"}},
	"linux loader": {"loader of guest %s leads nowhere", "What its entries name is not there, so no kernel or no initramfs is started.", true, true, true,
		[]string{"make the entries anew in the guest: update-grub, or grub-mkconfig -o /boot/grub/grub.cfg", "see that a kernel and its initramfs are in /boot"}},
}
