package definition

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"lendkeep/reconcile/facts"
)

// everything is what libvirt offers on a host with KVM and swtpm (libvirt domain
// capabilities format, examples there).
var everything = facts.Offers{TPM: []string{"tpm-tis", "tpm-crb"}, Random: true,
	HyperV: []string{"relaxed", "vapic", "spinlocks", "vpindex", "runtime", "synic", "stimer", "reset", "vendor_id", "frequencies", "reenlightenment", "tlbflush", "ipi", "evmcs", "avic"}}

func TestNewGuestsAreFitted(t *testing.T) {
	const (
		hyperv = `    <hyperv mode='custom'>
      <relaxed state='on'/>
      <vapic state='on'/>
      <spinlocks state='on' retries='4095'/>
      <vpindex state='on'/>
      <runtime state='on'/>
      <synic state='on'/>
      <stimer state='on'/>
      <frequencies state='on'/>
      <tlbflush state='on'/>
      <ipi state='on'/>
    </hyperv>
  </features>
`
		clock = `  <clock offset='localtime'>
    <timer name='rtc' tickpolicy='catchup'/>
    <timer name='pit' tickpolicy='delay'/>
    <timer name='hpet' present='no'/>
    <timer name='hypervclock' present='yes'/>
  </clock>
`
		tpm    = "    <tpm model='tpm-crb'>\n      <backend type='emulator' version='2.0'/>\n    </tpm>\n"
		random = "    <rng model='virtio'>\n      <backend model='random'>/dev/urandom</backend>\n    </rng>\n"
		socket = "    <topology sockets='1' dies='1' cores='4' threads='1'/>\n"
	)
	local := "its clock is in local time"
	for name, c := range map[string]struct {
		wants Wanted
		has   []string
		lacks []string
		says  []string
	}{
		"Windows": {Wanted{System: "windows", CPUs: 4, Offers: everything}, []string{hyperv, clock, tpm, socket}, []string{"<rng"},
			[]string{local, "its processors are one socket with 4 cores",
				"Hyper-V enlightenments: relaxed, vapic, spinlocks, vpindex, runtime, synic, stimer, frequencies, tlbflush, ipi, and their clock",
				"a TPM 2.0 (tpm-crb), which swtpm keeps on the host"}},
		"Windows with an older TPM": {Wanted{System: "windows", Offers: facts.Offers{TPM: []string{"tpm-tis"}}}, []string{"<tpm model='tpm-tis'>"}, []string{"hyperv", "topology"},
			[]string{local, "no Hyper-V enlightenments: libvirt offers none here", "a TPM 2.0 (tpm-tis), which swtpm keeps on the host"}},
		"Windows, a TPM of a kind that is not known": {Wanted{System: "windows", Offers: facts.Offers{TPM: []string{"tpm-spapr"}}}, nil, []string{"<tpm"},
			[]string{local, "no Hyper-V enlightenments: libvirt offers none here",
				"no TPM 2.0, which Windows 11 asks for: libvirt offers none here (swtpm gives one; Debian packages swtpm and swtpm-tools)"}},
		"Windows without KVM": {Wanted{Type: "qemu", System: "windows", Offers: facts.Offers{Why: "nobody was asked"}}, []string{"<clock offset='localtime'/>"}, []string{"<tpm", "hyperv", "<timer"},
			[]string{local, "no Hyper-V enlightenments: what libvirt offers is not known: nobody was asked",
				"no TPM 2.0, which Windows 11 asks for: what libvirt offers is not known: nobody was asked (swtpm gives one; Debian packages swtpm and swtpm-tools)"}},
		"Linux": {Wanted{System: "linux", CPUs: 4, Offers: everything}, []string{random, utc}, []string{"<tpm", "hyperv", "topology"},
			[]string{"its clock is in UTC", "random bytes of the host's, by virtio"}},
		"Linux without offers": {Wanted{System: "linux"}, []string{utc}, []string{"<rng"},
			[]string{"its clock is in UTC", "no random bytes of the host's: libvirt offers none here"}},
		"a system that is not stated": {Wanted{CPUs: 4, Offers: everything}, []string{utc}, []string{"<rng", "<tpm", "hyperv", "topology"}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			c.wants.Name, c.wants.MemoryBytes = "new", 1<<30
			xml, says, err := Create(c.wants)
			require.NoError(t, err)
			for _, part := range c.has {
				assert.Contains(t, xml, part)
			}
			for _, part := range c.lacks {
				assert.NotContains(t, xml, part)
			}
			assert.Equal(t, append([]string{"new guest"}, c.says...), says)
			_, changes := edited(t, xml, c.wants)
			assert.Empty(t, changes)
		})
	}
	_, _, err := Create(Wanted{Name: "new", MemoryBytes: 1 << 30, System: "plan9"})
	assert.ErrorContains(t, err, `"plan9" is no system that is known`)
}

// Nothing is on that is not offered, and nothing without what it needs.
func TestEnlightenmentsAreOfferedWithWhatTheyNeed(t *testing.T) {
	needs := map[string][]string{}
	for _, e := range enlightenments {
		needs[e.name] = e.needs
	}
	rapid.Check(t, func(t *rapid.T) {
		offered := someOffers(t).HyperV
		names, elements := enlightened(offered)
		assert.Equal(t, len(names), strings.Count(elements, "state='on'"))
		for _, name := range names {
			assert.Contains(t, offered, name)
			assert.Subset(t, names, needs[name], name)
		}
	})
}

// Of every enlightenment that libvirt's schema has it is decided whether a guest
// gets it.
func TestEveryEnlightenmentIsDecided(t *testing.T) {
	var have, want []string
	for place := range readGrammar(t).places {
		if rest, ok := strings.CutPrefix(place, "domain/features/hyperv/"); ok {
			if name, inner, found := strings.Cut(rest, "/"); found && inner == "" {
				want = append(want, name)
			}
		}
	}
	for _, e := range enlightenments {
		have = append(have, e.name)
	}
	slices.Sort(have)
	slices.Sort(want)
	assert.Equal(t, want, have)
}
