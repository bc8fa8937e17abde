package sysfs

import (
	"bytes"
	"context"
	"io/fs"
	"maps"
	"slices"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// TestLarchIsAsSaid holds the invented part of larch to what testdata/hosts/
// README.md says of it.
func TestLarchIsAsSaid(t *testing.T) {
	survey := surveyOf(t, openHost(t, "larch.txtar"), larchPaths...)
	require.Equal(t, 0, countGaps(survey))
	index := facts.NewIndex(&survey)
	assert.Equal(t, "larch", survey.Machine.Name)
	assert.Equal(t, facts.Machine{Name: "larch", Kernel: "6.1.0-56-amd64", CommandLine: "intel_iommu=on iommu=pt console=ttyS0 panic=-1 no_timer_check modprobe.blacklist=kvm_amd,kvm_intel emuhost.own=SYS-0001",
		MemoryBytes: 2525036 << 10, CPUs: 2, CPUMaker: "AuthenticAMD", AddressBits: 40, IOMMUs: 1, Units: []facts.IOMMUUnit{{Name: "dmar0"}}, HugePages: []facts.Pages{{SizeBytes: 2 << 20}, {SizeBytes: 1 << 30}}}, survey.Machine)
	for serial, at := range map[string]string{"RL-4410-0073": "0000:01:00.0", "RL-4410-0088": "0000:02:00.0", "RL-4410-0119": "0000:03:00.0"} {
		found := index.BySerial(serial)
		require.Len(t, found, 1, serial)
		assert.Equal(t, at, found[0].Address.String())
		assert.Equal(t, "nqn.2019-08.org.qemu:"+serial, found[0].NVMe.NQN)
	}
	reel := address(t, "0000:01:00.0")
	shelf := index.PartitionNamed(reel, "shelf")
	require.NotNil(t, shelf)
	assert.Equal(t, &facts.Signature{Kind: "xfs", Usage: "filesystem", Label: "shelf", UUID: "5d9655e5-37cf-48da-8cd1-fd1b2717ecf5"}, shelf.Signature)
	assert.Equal(t, facts.TypeESP, index.PartitionNamed(reel, "start").Partition.Type)
	assert.Equal(t, shelf.Devno, index.MountAt("/srv/shelf").Devno)
	assert.Contains(t, index.MountAt("/srv/shelf").Options, "noatime")
}

func TestSurveyFileRoundTrip(t *testing.T) {
	want := surveyOf(t, openHost(t, "larch.txtar"), larchPaths...)
	var text bytes.Buffer
	require.NoError(t, want.Encode(&text))
	got, err := facts.Decode(text.Bytes())
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.NotContains(t, text.String(), "null", "lists are written even when empty")
}

func TestSurveyEndsWithItsContext(t *testing.T) {
	tree, err := Open(hostFile("larch.txtar"))
	require.NoError(t, err)
	over, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = tree.Survey(over, nil)
	assert.ErrorIs(t, err, context.Canceled, "half a survey is none")
}

// TestSurveyOfThisMachine only asks that a real kernel's tree can be read
// through: without privilege, in a container or not.
func TestSurveyOfThisMachine(t *testing.T) {
	tree, err := Open("/")
	require.NoError(t, err)
	survey, err := tree.Survey(t.Context(), []string{"/", "/dev/null"})
	require.NoError(t, err)
	assert.NotEmpty(t, survey.Machine.Kernel)
	assert.NotEmpty(t, survey.Mounts)
	var text bytes.Buffer
	require.NoError(t, survey.Encode(&text))
	_, err = facts.Decode(text.Bytes())
	require.NoError(t, err)
}

// changed is a host of which one file has another content.
type changed struct {
	fs.ReadLinkFS
	name  string
	files fstest.MapFS
}

func (c changed) Open(name string) (fs.File, error) {
	if name == c.name {
		return c.files.Open(name)
	}
	return c.ReadLinkFS.Open(name)
}

// FuzzSurvey puts any content into any one file of a host.
func FuzzSurvey(f *testing.F) {
	host := openHost(f, "larch.txtar")
	base := watch(host)
	surveyOf(f, base, larchPaths...)
	entries := host.Entries()
	var names []string
	for _, name := range slices.Sorted(maps.Keys(base.opened)) {
		if e, there := entries[name]; there && e.Mode.IsRegular() {
			names = append(names, name)
			f.Add(uint16(len(names)-1), e.Content)
		}
	}
	f.Add(uint16(slices.Index(names, "proc/swaps")), []byte("Filename\n/a\\040\\04 file 1 2 3\n\\ x\n"))
	f.Add(uint16(slices.Index(names, "proc/self/mountinfo")), []byte("1 2 : / / rw - btrfs x y\n"))
	f.Fuzz(func(t *testing.T, which uint16, content []byte) {
		name := names[int(which)%len(names)]
		survey := surveyOf(t, changed{host, name, fstest.MapFS{name: {Data: content}}}, larchPaths...)
		var text bytes.Buffer
		require.NoError(t, survey.Encode(&text))
		_, err := facts.Decode(text.Bytes())
		require.NoError(t, err, name)
		facts.NewIndex(&survey)
	})
}
