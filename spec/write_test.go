package spec_test

import (
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/unicode/norm"

	"lendkeep/spec"
)

// written is a layout with everything that Write writes.
func written() []spec.Part {
	lends := spec.Ref{Name: "reel"}
	return []spec.Part{
		{Remarks: []string{"The host.", "", "Written for a test."}, Host: &spec.Host{Name: "larch", Libvirt: "qemu:///session"}},
		{Controller: &spec.Controller{Name: "reel", NVMe: &spec.NVMeIdentity{Serial: "RL-4410-0073", Model: "QEMU NVMe Ctrl"},
			Drive:  &spec.Drive{Partitions: []spec.Partition{{Name: "shelf", SizeBytes: 3 << 30, Format: "xfs"}, {Name: "odd", SizeBytes: 1<<20 + 512}, {Name: "rest", Rest: true}}},
			Return: spec.Return{Mounts: []spec.Mount{{Partition: "shelf", Path: "/srv/shelf", Options: spec.Hardened([]string{"noatime"})}}}}},
		{Remarks: []string{"May be lent."}, Out: true, Controller: &spec.Controller{Name: "feed", PCI: &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3, Slot: "3", Serial: "52-54-00-ff-ff-12-34-56"}}},
		{Guest: &spec.Guest{Name: "grading", Borrows: []spec.Ref{lends}, Boots: &lends, CPU: &spec.CPU{Count: 2}, Memory: &spec.Memory{SizeBytes: 1536 << 20}}},
		{Guest: &spec.Guest{Name: "win 11", Disks: []spec.Disk{{Name: "vda", Image: "/srv/images/w.qcow2", Bus: "virtio"}}}},
		{Shift: &spec.Shift{Name: "shift-1", Guests: []spec.Ref{{Name: "grading"}, {Name: "win 11"}}}},
		{Shift: &spec.Shift{Name: "night"}},
	}
}

func TestWrite(t *testing.T) {
	assert.Equal(t, `# The host.
#
# Written for a test.
host "larch" {
  libvirt = "qemu:///session"
}

controller "reel" {
  nvme {
    serial = "RL-4410-0073"
    model  = "QEMU NVMe Ctrl"
  }

  drive {
    partition "shelf" {
      size   = gib(3)
      format = "xfs"
    }

    partition "odd" {
      size = 1049088
    }

    partition "rest" {
      size = rest()
    }
  }

  return {
    mount "shelf" {
      at      = "/srv/shelf"
      options = ["noatime"]
    }
  }
}

# May be lent.
/*
controller "feed" {
  pci {
    vendor        = "8086"
    device        = "10d3"
    slot          = "3"
    device_serial = "52-54-00-ff-ff-12-34-56"
  }
}
*/

guest "grading" {
  borrows = [controller.reel]
  boots   = controller.reel

  cpu {
    count = 2
  }

  memory {
    size = mib(1536)
  }
}

guest "win 11" {
  disk "vda" {
    image = "/srv/images/w.qcow2"
    bus   = "virtio"
  }
}

shift "shift-1" {
  guests = [guest.grading, guest["win 11"]]
}

shift "night" {
  guests = []
}
`, string(spec.Write(written())))
	require.NoError(t, spec.Says(written()...))
}

// What is written is in canonical form already.
func TestWrittenIsCanonical(t *testing.T) {
	source := spec.Write(written())
	formed, ds := spec.Format(source, "x.hcl")
	require.False(t, ds.HasErrors())
	assert.Equal(t, string(source), string(formed))
}

// What the writer does not write is not lost without a word.
func TestSaysWhatCannotBeSaid(t *testing.T) {
	for name, c := range map[string]struct {
		change func([]spec.Part)
		tells  string
	}{
		"a slash in a guest's name": {func(p []spec.Part) { p[4].Guest.Name = "win/11" }, "it has no slash"},
		"a serial that is too long": {func(p []spec.Part) { p[1].Controller.NVMe.Serial = strings.Repeat("x", 21) }, "NVMe leaves 20 characters"},
		"a decomposed path":         {func(p []spec.Part) { p[4].Guest.Disks[0].Image = "/srv/cafe\u0301" }, "composed form"},
		"a decomposed name":         {func(p []spec.Part) { p[3].Guest.Name, p[5].Shift = "cafe\u0301", nil }, "composed form"},
		"what is not written":       {func(p []spec.Part) { p[1].Controller.Drive.CopyOf = "/srv/x.qcow2" }, "another text"},
		"a system's folder":         {func(p []spec.Part) { p[1].Controller.Return.Mounts[0].Path = "/usr" }, "The host needs /usr"},
		"what is in a comment":      {func(p []spec.Part) { p[2].Controller.Name = "9" }, "begins with a letter"},
	} {
		t.Run(name, func(t *testing.T) {
			parts := written()
			c.change(parts)
			assert.ErrorContains(t, spec.Says(parts...), c.tells)
		})
	}
}

// A comment ends nowhere but where it is to end, and nothing acts in it.
// What goes on of a point of a list stands below its text.
func TestRemarksAreWrapped(t *testing.T) {
	long := strings.TrimSpace(strings.Repeat("a remark ", 12))
	text := string(spec.Write([]spec.Part{{Host: &spec.Host{Name: "larch"}, Remarks: []string{long, "- " + long}}}))
	assert.Equal(t, `# a remark a remark a remark a remark a remark a remark a remark a remark a
# remark a remark a remark a remark
# - a remark a remark a remark a remark a remark a remark a remark a remark a
#   remark a remark a remark a remark
`, text[:strings.Index(text, "host")])
}

func TestHostileRemarks(t *testing.T) {
	evil := "*/ host \"x\" {}\n\x1b[2J\u202e}\r# /*"
	parts := written()
	parts[0].Remarks = []string{evil, strings.Repeat(evil, 3)}
	parts[2].Controller.PCI.Slot = "*/"
	source := string(spec.Write(parts))
	for line := range strings.Lines(source) {
		assert.False(t, strings.ContainsFunc(strings.TrimSuffix(line, "\n"), func(r rune) bool { return unicode.In(r, unicode.Cc, unicode.Cf) }), "%q", line)
	}
	layout, ds := spec.LoadSources("", []spec.File{{Name: "x.hcl", Bytes: []byte(source)}}, spec.Given{})
	require.False(t, ds.HasErrors(), "%v\n%s", ds, source)
	assert.Len(t, layout.Controllers, 1)
	uncommented := strings.NewReplacer("\n/*\n", "\n", "\n*/\n", "\n").Replace(source)
	layout, ds = spec.LoadSources("", []spec.File{{Name: "x.hcl", Bytes: []byte(uncommented)}}, spec.Given{})
	require.True(t, ds.HasErrors(), "a slot has no slash")
	require.Nil(t, layout)
}

// FuzzWrite: every text that the language takes is read back as it was, whatever
// it looks like; every other is refused, and no remark changes what is read.
func FuzzWrite(f *testing.F) {
	f.Add("grading", "RL-4410-0073", "shelf", "/srv/shelf", "/srv/shelf/x.qcow2", "noatime", "May be lent.")
	f.Add("$${x} %%{ if", "${a}", "\"shelf\\", "/srv/${x}", "/srv/%{x}", "a=\u00fc", "*/")
	f.Add("a\u0301 \U0001f300", "~!", "\u200b", "/srv/a b", "/x/*/", "x-$", "\x00\xff")
	f.Fuzz(func(t *testing.T, guest, serial, partition, path, image, option, remark string) {
		refused := norm.NFC.String(guest+"\x00"+partition+"\x00"+path+"\x00"+image+"\x00"+option) != guest+"\x00"+partition+"\x00"+path+"\x00"+image+"\x00"+option
		refused = refused || spec.WrongGuest(guest) != "" || spec.WrongPath(path) != "" || spec.WrongFile(image) != "" ||
			spec.WrongPartition(partition) != "" || spec.WrongSerial(serial) != "" || spec.WrongOption(option) != ""
		refused = refused || option == "nosuid" || option == "nodev" // what Load adds is not written
		parts := []spec.Part{{Host: &spec.Host{Name: "larch"}, Remarks: []string{remark}},
			{Controller: &spec.Controller{Name: "reel", NVMe: &spec.NVMeIdentity{Serial: serial}, Drive: &spec.Drive{Partitions: []spec.Partition{{Name: partition, Rest: true}}},
				Return: spec.Return{Mounts: []spec.Mount{{Partition: partition, Path: path, Options: spec.Hardened([]string{option})}}}}},
			{Guest: &spec.Guest{Name: guest, Disks: []spec.Disk{{Name: "vda", Image: image, Bus: "sata"}}}},
			{Shift: &spec.Shift{Name: "all", Guests: []spec.Ref{{Name: guest}}}}}
		err := spec.Says(parts...)
		if !refused {
			require.NoError(t, err, "%s", spec.Write(parts))
		}
		source := spec.Write(parts)
		formed, ds := spec.Format(source, "x.hcl")
		require.False(t, ds.HasErrors(), "%v\n%s", ds, source)
		require.Equal(t, string(source), string(formed))
	})
}
