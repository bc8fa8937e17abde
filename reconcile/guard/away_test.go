package guard_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
)

// The guard goes only from a host on which everything is known to be at home.
func TestAway(t *testing.T) {
	const unread = "whether something is lent is not known: read rules: they are of version 99, this guard reads version 1"
	for name, test := range map[string]struct {
		change func(b *bench)
		want   []string
	}{
		"all at home":    {func(*bench) {}, nil},
		"nobody's guard": {func(b *bench) { b.Survey.Guard.Rules = "" }, nil},
		"lent": {func(b *bench) { b.lent() },
			[]string{"reel is lent to grading", "guest grading runs with a PCI function of the host"}},
		"lent without rules": {func(b *bench) { b.lent(); b.Survey.Guard.Rules = "" },
			[]string{"guest grading runs with a PCI function of the host"}},
		"rules of another version": {func(b *bench) { b.lent(); b.Survey.Guard.Rules = `{"format": 99}` },
			[]string{unread, "guest grading runs with a PCI function of the host"}},
		"rules of another version, and no guest runs": {func(b *bench) { b.aside(b.reel); b.Survey.Guard.Rules = `{"format": 99}` },
			[]string{unread}},
		"rules that are not shown": {func(b *bench) {
			b.Survey.Guard.Rules = ""
			b.Survey.Guard.Gaps = []facts.Gap{{Fact: "guard.rules", Path: facts.GuardRules, Reason: "permission denied"}}
		}, []string{"whether something is lent is not known: read rules /etc/lendkeep/rules.json: permission denied"}},
		"on VFIO, with nobody that libvirt knows": {func(b *bench) { b.aside(b.reel) },
			[]string{"reel is not with the host: it is aside"}},
		"pulled out": {func(b *bench) { b.Function(b.reel).NVMe.Serial = "SN-OTHER" },
			[]string{"reel is not with the host: it is gone"}},
		"another guest's card": {func(b *bench) {
			b.Guest("visitor", "/srv/images/visitor.qcow2")
			b.Hold("visitor", b.never)
			b.Run("visitor")
		}, nil},
		"a running guest of which nothing is known": {func(b *bench) {
			g := b.guest("grading")
			g.Running, g.Live = true, nil
		}, []string{"guest grading runs with a PCI function of the host"}},
		"libvirt is silent": {func(b *bench) {
			b.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "qemu:///system", Reason: "it hangs"}}
		}, []string{"what guests have is not known: guests: qemu:///system: it hangs"}},
		"the kernel is silent": {func(b *bench) {
			b.Survey.Gaps = []facts.Gap{{Fact: "functions", Path: "/sys/bus/pci", Reason: "permission denied"}}
		}, []string{"what the host uses is not known: /sys/bus/pci: permission denied"}},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.Survey.Guard.Rules = b.rules.Encode()
			test.change(b)
			assert.Equal(t, test.want, guard.Away(facts.NewIndex(&b.Survey)))
		})
	}
}

func (b *bench) lent() {
	b.aside(b.reel)
	b.Run("grading")
}

func (b *bench) guest(name string) *facts.Guest {
	for i := range b.Survey.Libvirt.Guests {
		if g := &b.Survey.Libvirt.Guests[i]; g.Name == name {
			return g
		}
	}
	return nil
}
