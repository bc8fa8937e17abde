package witness_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/witness"
)

var reel = facts.Address{Bus: 1}

// host has a guest with these disks that was lent reel, and others that run.
func host(disks string, lent bool, others ...string) *facts.Index {
	live := &facts.Definition{XML: "<domain type='kvm'><name>grading</name><devices>" + disks + "</devices></domain>"}
	if lent {
		live.Hostdevs = []facts.Hostdev{{Address: reel}}
	}
	live.Identities = []facts.Identity{{Controller: "reel", Address: reel, Serial: "RL-4410-0073"}}
	survey := &facts.Survey{Functions: []facts.Function{{Address: reel, Link: &facts.Link{SpeedMTps: 8000, Width: 4, MaxSpeedMTps: 8000, MaxWidth: 4}, PayloadBytes: 256}}, Libvirt: facts.Virtualization{Guests: []facts.Guest{{Name: "grading", Running: true, Live: live}, {Name: "off"}}}}
	for _, name := range others {
		survey.Libvirt.Guests = append(survey.Libvirt.Guests, facts.Guest{Name: name, Running: true})
	}
	return facts.NewIndex(survey)
}

const (
	vda = "<disk type='file' device='disk'><driver name='qemu' type='qcow2' cache='none' io='native'/><source file='/srv/images/grading.qcow2'/><target dev='vda' bus='virtio'/><serial>SYSTEM-1</serial></disk>"
	vdb = "<disk type='file'><driver name='qemu' type='raw'/><source file='/srv/b.img'/><target dev='vdb' bus='virtio'/></disk>"
	cd  = "<disk type='file' device='cdrom'><target dev='sda' bus='sata'/></disk>"
)

func TestOf(t *testing.T) {
	first := &speed.VirtualDisk{Name: "vda", Bus: "virtio", Format: "qcow2", Cache: "none", IO: "native"}
	for name, c := range map[string]struct {
		disks string
		lent  bool
		drive speed.Drive
		want  speed.Host
	}{
		"the only one of its bus":       {vda + cd, false, speed.Drive{Bus: "virtio"}, speed.Host{Disk: first}},
		"one of two, by its serial":     {vda + vdb, false, speed.Drive{Bus: "virtio", Serial: "SYSTEM-1"}, speed.Host{Disk: first}},
		"one of two":                    {vda + vdb, false, speed.Drive{Bus: "virtio"}, speed.Host{}},
		"of another bus":                {vda, false, speed.Drive{Bus: "sata"}, speed.Host{}},
		"a drive of which all is dark":  {vda, false, speed.Drive{}, speed.Host{}},
		"lent":                          {vda, true, speed.Drive{Bus: "nvme", Serial: "RL-4410-0073"}, speed.Host{Lent: true}},
		"another serial":                {vda, true, speed.Drive{Bus: "nvme", Serial: "RL-4410-0088"}, speed.Host{}},
		"recorded, but not lent":        {vda, false, speed.Drive{Bus: "nvme", Serial: "RL-4410-0073"}, speed.Host{}},
		"lent, and the virtual one was": {vda, true, speed.Drive{Bus: "virtio"}, speed.Host{Disk: first}},
	} {
		t.Run(name, func(t *testing.T) {
			c.want.Guest, c.want.Others = "grading", []string{"catalogue", "scanner-desk"}
			begin, end := host(c.disks, c.lent, "scanner-desk"), host(c.disks, c.lent, "scanner-desk", "catalogue")
			got, err := witness.Of("grading", begin, end, speed.Result{Target: speed.Target{Drive: c.drive}})
			require.NoError(t, err)
			if c.want.Lent {
				require.NotNil(t, got.Way)
				assert.Equal(t, 8000, got.Way.Links[0].SpeedMTps)
			}
			got.Way = nil
			assert.Equal(t, c.want, got)
		})
	}
}

// Where libvirt has not told of all, nobody says that a guest ran alone.
func TestOthersAreNotKnown(t *testing.T) {
	begin, end := host(vda, false), host(vda, false, "catalogue")
	end.Survey.Libvirt.Gaps = []facts.Gap{{Fact: "guests", Path: "libvirt", Reason: "no answer"}}
	got, err := witness.Of("grading", begin, end, speed.Result{Target: speed.Target{Drive: speed.Drive{Bus: "virtio"}}})
	require.NoError(t, err)
	assert.Equal(t, []string{"catalogue", "guests of which libvirt did not tell"}, got.Others)
	assert.Contains(t, witness.AtHome(reel, end, begin).Others, "guests of which libvirt did not tell")
}

func TestOfAGuestThatHasEnded(t *testing.T) {
	ix := facts.NewIndex(&facts.Survey{})
	got, err := witness.Of("grading", ix, ix, speed.Result{})
	require.NoError(t, err)
	assert.Equal(t, speed.Host{Guest: "grading", Others: []string{}}, got)
}

func TestAtHome(t *testing.T) {
	got := witness.AtHome(reel, host(vda, false), host(vda, false, "catalogue"))
	assert.Equal(t, []string{"catalogue", "grading"}, got.Others)
	require.NotNil(t, got.Way)
	assert.Empty(t, got.Guest)
}

// A virtual disk is as fast as the drive below it at most.
func TestWayBelowAVirtualDisk(t *testing.T) {
	ix := func(sources ...string) *facts.Index {
		ix := host(vda, false)
		survey := ix.Survey
		for i, name := range []string{"nvme0n1", "nvme1n1"} {
			at := facts.Address{Bus: uint8(i + 1)}
			if i > 0 {
				survey.Functions = append(survey.Functions, facts.Function{Address: at})
			}
			survey.Blocks = append(survey.Blocks, facts.Block{Name: name, Devno: facts.Devno{Major: 259, Minor: uint32(i)}, Controller: &at})
		}
		for _, source := range sources {
			survey.Libvirt.Guests[0].Live.Disks = append(survey.Libvirt.Guests[0].Live.Disks, facts.Disk{Target: "vda", Kind: "block", Device: "disk", Source: source})
		}
		return facts.NewIndex(survey)
	}
	for want, sources := range map[string][]string{"way": {"/dev/nvme0n1"}, "": {"/dev/nvme0n1", "/dev/nvme1n1"}} {
		got, err := witness.Of("grading", ix(sources...), ix(sources...), speed.Result{Target: speed.Target{Drive: speed.Drive{Bus: "virtio"}}})
		require.NoError(t, err)
		require.NotNil(t, got.Disk)
		assert.Equal(t, want != "", got.Way != nil)
	}
}
