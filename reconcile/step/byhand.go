package step

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"lendkeep/reconcile/facts"
)

const (
	byHandTakes = 10 * time.Minute // a person who knows their system; common practice
	byHandWaits = 24 * time.Hour   // for the answer
)

// ByHand is what only a person can do, inside the guest. They say when it is
// done, and where the guest or its image can be asked, that must not say no. The
// order names the step; what it tells them is this lendkeep's own.
type ByHand struct {
	Guest      string `json:"guest"`
	Controller string `json:"controller"` // from which the guest will start
	System     string `json:"system"`     // the guest's, of which the steps are
	Hand       string `json:"hand"`       // the name of one of those
	Keep       string `json:"keep"`       // of the order: an answer to an earlier one does not count

	Image  string       `json:"image,omitempty"`  // that holds the system
	Called string       `json:"called,omitempty"` // what the system calls itself
	Of     string       `json:"of,omitempty"`     // who or what said what was seen
	Saw    facts.Answer `json:"saw,omitzero"`     // when the order was written
}

// hand is what a person is told to do in a guest.
type hand struct {
	name     facts.Matter
	what     string   // a verb phrase of one line
	tells    []string // how it is done; %[1]s is the guest, %[2]s the controller
	confirms string   // how they see that it is
}

// hands are the steps by hand for an installed system, in their sequence.
// Windows: the service of its NVMe driver and its start types (Microsoft,
// "INACCESSIBLE_BOOT_DEVICE" and "CM_SERVICE start types": 0 is boot), fast
// startup and BitLocker (powercfg, manage-bde). Linux: initramfs-tools(7),
// fstab(5), crypttab(5), grub-mkconfig(8).
var hands = map[string][]hand{
	"windows": {{
		name: facts.AsksDriver,
		what: "see that Windows starts its NVMe driver by itself",
		tells: []string{
			"start %[1]s once with %[2]s lent to it as a second disk beside its image (a layout without copy_of and boots)",
			"let Windows install the drive, then shut down",
		},
		confirms: `reg query HKLM\SYSTEM\CurrentControlSet\Services\stornvme /v Start prints 0x0, and stornvme has no key StartOverride`,
	}, {
		name:     facts.AsksEncryption,
		what:     "suspend drive encryption",
		tells:    []string{"manage-bde -protectors -disable C: (the key is bound to the old disk)"},
		confirms: "manage-bde -status C: says that protection is off, or that the drive is not encrypted",
	}, {
		name:     facts.AsksShutdown,
		what:     "turn fast startup off, so that shutting down does not hibernate",
		tells:    []string{"powercfg /h off, as administrator"},
		confirms: "powercfg /a no longer lists hibernation and fast startup as available",
	}},
	"linux": {{
		name:     facts.AsksDriver,
		what:     "see that the initramfs holds the nvme driver",
		confirms: "lsinitramfs /boot/initrd.img-$(uname -r) lists nvme.ko (elsewhere lsinitrd, lsinitcpio), or the kernel has it built in",
	}, {
		name:     facts.AsksNames,
		what:     "see that nothing names the old disk",
		tells:    []string{"write UUID= instead of /dev/vda and the like in /etc/fstab, /etc/crypttab and the kernel command line"},
		confirms: "grep -n '/dev/[vs]d' /etc/fstab /etc/crypttab /proc/cmdline prints nothing",
	}, {
		name:     facts.AsksLoader,
		what:     "see that its loader leads to a kernel",
		tells:    []string{"make the loader's entries anew: update-grub, or grub-mkconfig -o /boot/grub/grub.cfg"},
		confirms: "each kernel and initramfs that they name is in /boot: grep -h -e linux -e initrd /boot/grub*/grub.cfg",
	}},
}

// Hands names the steps by hand of a system; none where it has none.
func Hands(system string) []string {
	var list []string
	for _, h := range hands[system] {
		list = append(list, string(h.name))
	}
	return list
}

func (s *ByHand) hand() hand {
	for _, h := range hands[s.System] {
		if string(h.name) == s.Hand {
			return h
		}
	}
	return hand{what: s.Hand} // Sound refuses it
}

// Sound refuses a step of which this lendkeep could not say how it is done.
func (s *ByHand) Sound() error {
	if !slices.Contains(Hands(s.System), s.Hand) {
		return fmt.Errorf("this lendkeep knows no step by hand %q for system %q", s.Hand, s.System)
	}
	if s.Saw.Question != "" && string(s.Saw.Question) != s.Hand {
		return fmt.Errorf("what was seen of %q is not about step by hand %q", s.Saw.Question, s.Hand)
	}
	return nil
}

// Details tells what was seen, how it is done, and how the person sees that it is.
func (s *ByHand) Details() []Detail {
	var list []Detail
	if s.Saw.Seen != "" {
		list = append(list, Detail{"found", found(s.Saw, s.Of)})
	}
	for _, line := range s.hand().tells {
		list = append(list, Detail{"do", strings.NewReplacer("%[1]s", s.Guest, "%[2]s", s.Controller).Replace(line)})
	}
	if s.System == "linux" && s.Hand == string(facts.AsksDriver) {
		list = append(list, details("do", facts.InitramfsCommands(s.Called))...)
	}
	return append(list, Detail{"seen", "when " + s.hand().confirms})
}

// Name is what the confirmation is kept under.
func (s *ByHand) Name() string { return s.Keep + ": " + s.What() }

// What says what is to be done: a verb phrase of one line.
func (s *ByHand) What() string { return s.hand().what }

// About implements Step. Whether the person undoes what they did is theirs to
// decide.
func (s *ByHand) About() About {
	return About{Kind: "by hand", Risk: Safe, Takes: byHandTakes, Longest: byHandWaits,
		Does:   "by hand, in guest " + s.Guest + ": " + s.What(),
		Undoes: "forget that it was confirmed; nothing in the guest changes",
		Gives:  []Condition{confirmationIs(s.Name(), "given")}}
}

func (s *ByHand) Ready(*facts.Index) error { return nil }

func (s *ByHand) MayUndo(*facts.Index) error { return nil }

// Stands implements Step. Whatever the person says: what is seen to be wrong all
// the same is not done.
func (s *ByHand) Stands(ix *facts.Index) (Standing, string) {
	sight := ix.SystemIn(s.Image)
	switch now := sight.Answer(facts.Matter(s.Hand)); {
	case !slices.Contains(ix.Survey.Confirmed, s.Name()):
		return Before, "not confirmed"
	case now.Says == facts.Absent:
		return Before, "confirmed, but not so: " + found(now, sight.Of)
	case now.Says == facts.Present:
		return After, "confirmed, and seen: " + found(now, sight.Of)
	default:
		return After, "confirmed"
	}
}

func (s *ByHand) Do(ctx context.Context, p Ports) error { return p.Person.Confirm(ctx, s) }

func (s *ByHand) Undo(ctx context.Context, p Ports) error { return p.Person.Forget(ctx, s) }
