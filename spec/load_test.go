package spec_test

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// larch are facts as a survey of a small host would have them.
var larch = spec.Given{MemoryBytes: 4_063_232_000, CPUs: 2, HostName: "larch", Known: true}

// load reads a layout of one file.
func load(t *testing.T, text string) (*spec.Layout, spec.Diagnostics) {
	t.Helper()
	return spec.LoadSources("", []spec.File{{Name: "layout.hcl", Bytes: []byte(text)}}, larch)
}

// placeless gives a deep copy of v with every Place zero, to compare layouts
// that were read from different lines.
func placeless(v *spec.Layout) spec.Layout {
	return withoutPlaces(reflect.ValueOf(*v)).Interface().(spec.Layout)
}

func withoutPlaces(v reflect.Value) reflect.Value {
	out := reflect.New(v.Type()).Elem()
	switch {
	case v.Type() == reflect.TypeFor[spec.Place]():
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			out.Field(i).Set(withoutPlaces(v.Field(i)))
		}
	case v.Kind() == reflect.Pointer && !v.IsNil():
		out.Set(reflect.New(v.Type().Elem()))
		out.Elem().Set(withoutPlaces(v.Elem()))
	case v.Kind() == reflect.Slice && !v.IsNil():
		out.Set(reflect.MakeSlice(v.Type(), v.Len(), v.Len()))
		for i := range v.Len() {
			out.Index(i).Set(withoutPlaces(v.Index(i)))
		}
	default:
		out.Set(v)
	}
	return out
}

// TestWholeLanguage reads a layout that uses every block of the language.
func TestWholeLanguage(t *testing.T) {
	layout, ds := spec.Load("testdata/language", spec.Given{})
	require.Empty(t, ds)
	want := spec.Layout{
		Dir:  "testdata/language",
		Hash: layout.Hash,
		Host: spec.Host{Name: "larch", Libvirt: "qemu:///system", NeverLend: []string{"SYS-0001"}, Alarm: []string{"/usr/local/bin/tell-me", "now"}},
		Controllers: []spec.Controller{{
			Name: "reel",
			NVMe: &spec.NVMeIdentity{Serial: "RL-4410-0073"},
			Drive: &spec.Drive{
				CopyOf:     "/srv/images/grading.qcow2",
				CopyFormat: "qcow2",
				Erase:      "RL-4410-0073",
				Partitions: []spec.Partition{{Name: "shelf", Rest: true, Format: "xfs"}},
			},
			Return: spec.Return{
				Within:    30 * time.Second,
				OnFailure: "hold",
				Mounts:    []spec.Mount{{Partition: "shelf", Path: "/srv/shelf", Options: []string{"nosuid", "nodev", "noatime"}}},
			},
		}},
		Shims: []spec.Shim{{Name: "reel-start", Donor: "/usr/share/OVMF/OVMF_CODE_4M.fd", As: "rom"}},
		Guests: []spec.Guest{
			{
				Name:    "grading",
				System:  "windows",
				Borrows: []spec.Ref{{Name: "reel"}},
				Boots:   &spec.Ref{Name: "reel"},
				Shim:    &spec.Ref{Name: "reel-start"},
				CPU:     &spec.CPU{Count: 6, Near: &spec.Ref{Name: "reel"}},
				Memory:  &spec.Memory{SizeBytes: 17_179_869_184, HugePages: stated(true)},
				Disks:   []spec.Disk{{Name: "games", PartitionID: "4f1c0c52-9a0e-4c6e-8f0a-5c1f2f0e7a11", Bus: "scsi"}},
				Stop:    2 * time.Minute,
			},
			{
				Name:  "catalogue",
				Disks: []spec.Disk{{Name: "system", Image: "/srv/shelf/catalogue.qcow2", Bus: "virtio", SizeBytes: 42_949_672_960}},
				Stop:  time.Minute,
			},
		},
		Shifts: []spec.Shift{
			{Name: "day", Guests: []spec.Ref{{Name: "grading"}}},
			{Name: "night", Guests: []spec.Ref{{Name: "catalogue"}}},
		},
	}
	assert.Equal(t, want, placeless(layout))

	assert.Equal(t, spec.Place{File: "larch.hcl", Line: 38, Column: 1}, layout.Guest("grading").At)
	assert.Equal(t, spec.Place{File: "larch.hcl", Line: 40, Column: 14}, layout.Guest("grading").Borrows[0].At)
	assert.Equal(t, "rom", layout.Shim("reel-start").As)
	assert.Equal(t, "night", layout.Shift("night").Name)
	assert.Nil(t, layout.Controller("spool"))
	assert.Equal(t, "larch.hcl:26", layout.Controller("reel").Return.Mounts[0].At.String())
}

// TestFormsOfValues covers what the examples do not use.
func TestFormsOfValues(t *testing.T) {
	layout, ds := load(t, `
host "larch" {}
values {
  base    = "/srv/${value.studio}"
  studio  = lower("LIGHT")
  cards   = [controller.card, controller.other]
  none    = null
  small   = 1e-9
  roomy   = survey.memory > gib(2)
}
controller "card" {
  pci {
    vendor = "8086"
    device = "10D3"
    slot   = "3"
  }
}
controller "other" {
  pci {
    vendor = "8086"
    device = "10d3"
    slot   = "4-1"
  }
}
guest "win 11.old" {
  network "other" { network = "default" }
  firmware = "/srv/firmware/${survey.host}.fd"
  borrows  = concat(value.cards, [])
  boots    = value.roomy ? controller["card"] : null
  boot_entry = "\\EFI\\own path\\start.EFI"
  system   = value.none
  cpu { count = survey.cpus - 1 }
  memory { size = gib(0.5) + mib(1.1 * 10) }
  disk "a" {
    image = format("%s/%s-%03d.qcow2", value.base, upper("a"), 7)
    bus   = "sata"
  }
  network "n" {
    bridge = "br0"
    mac    = "52:54:00:AB:CD:EF"
    model  = "e1000e"
  }
}
shift "all" { guests = [guest["win 11.old"]] }
shift "rest" { guests = [] }
`)
	require.Empty(t, ds)
	g := layout.Guests[0]
	assert.Equal(t, pci.ID(0x10d3), layout.Controllers[0].PCI.Device)
	assert.Equal(t, "4-1", layout.Controllers[1].PCI.Slot)
	assert.Equal(t, "/srv/firmware/larch.fd", g.Firmware)
	assert.Len(t, g.Borrows, 2)
	assert.Equal(t, "card", g.Boots.Name)
	assert.Equal(t, `\EFI\own path\start.EFI`, g.Entry.Path)
	assert.Equal(t, 30, g.Entry.At.Line)
	assert.Empty(t, g.System, "null states nothing")
	assert.Equal(t, 1, g.CPU.Count)
	assert.Equal(t, uint64(512<<20+11<<20), g.Memory.SizeBytes)
	assert.Equal(t, "/srv/light/A-007.qcow2", g.Disks[0].Image)
	assert.Equal(t, "52:54:00:ab:cd:ef", g.Networks[1].MAC, "as libvirt writes it")
	assert.Equal(t, "e1000e", g.Networks[1].Model)
	assert.Empty(t, g.Networks[0].Model, "states nothing")
	assert.Nil(t, g.Memory.HugePages, "states nothing")
	assert.Equal(t, "win 11.old", layout.Shift("all").Guests[0].Name)
	assert.Equal(t, "hold", layout.Controllers[0].Return.OnFailure)
	assert.Equal(t, "by default", layout.Controllers[0].Return.At.String())
}

func TestExamples(t *testing.T) {
	dirs, err := filepath.Glob("../examples/*")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(dirs), 2)
	for _, dir := range dirs {
		t.Run(filepath.Base(dir), func(t *testing.T) {
			layout, ds := spec.Load(dir, larch)
			require.Empty(t, ds, "%v", ds)
			assert.NotEmpty(t, layout.Guests)
			assert.NotEmpty(t, layout.Shifts)
		})
	}
}

func TestExampleLibraryUnderstandsMemory(t *testing.T) {
	for memory, want := range map[uint64]uint64{
		3 << 30:         1536 << 20,
		64 << 30:        2 << 30,
		4_063_232_000:   1937 << 20, // 1937.5 MiB
		3<<30 + 2*1<<10: 1536 << 20,
	} {
		given := larch
		given.MemoryBytes = memory
		layout, ds := spec.Load("../examples/library", given)
		require.Empty(t, ds)
		assert.Equal(t, want, layout.Guest("ingest").Memory.SizeBytes, "of %d", memory)
	}
}

func TestSurveyIsMissed(t *testing.T) {
	layout, ds := spec.Load("../examples/library", spec.Given{})
	assert.Nil(t, layout)
	require.Len(t, ds, 1, "what depends on the value is not reported again")
	assert.Equal(t, "survey.memory needs a survey", ds[0].Summary)
	assert.Contains(t, ds[0].Hint, "--survey")
	assert.Equal(t, "survey.memory", ds[0].Source.Meant)
}

// TestHash: any change of any byte or name changes it, the order of files and
// the directory do not. The expected value was computed by another program.
func TestHash(t *testing.T) {
	a := spec.File{Name: "a.hcl", Bytes: []byte("host \"larch\" {}\n")}
	b := spec.File{Name: "b.hcl", Bytes: []byte("")}
	of := func(files ...spec.File) string {
		layout, ds := spec.LoadSources("somewhere", files, spec.Given{})
		require.Empty(t, ds)
		return layout.Hash
	}
	assert.Equal(t, "261a097014ef143de04bb8c4a28aa4bae7da40e80355306928ca0da9c24e2510", of(a, b))
	assert.Equal(t, of(a, b), of(b, a))
	assert.NotEqual(t, of(a), of(a, b))
	assert.NotEqual(t, of(a, b), of(a, spec.File{Name: "b.hcl", Bytes: []byte("\n")}))
	assert.NotEqual(t, of(a, b), of(a, spec.File{Name: "c.hcl", Bytes: []byte("")}))
}

func TestLoadReadsOnlyLayoutFiles(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	write("host.hcl", `host "larch" {}`)
	write(".#host.hcl", `not a layout`)
	write("host.hcl~", `not a layout`)
	require.NoError(t, os.Mkdir(filepath.Join(dir, "old.hcl"), 0o700))
	layout, ds := spec.Load(dir, spec.Given{})
	require.Empty(t, ds)
	assert.Equal(t, dir, layout.Dir)
}

// What another puts in the place of a file that was looked at is not waited for, and
// not read without an end.
func TestLayoutFilesAreBounded(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.hcl")
	require.NoError(t, os.WriteFile(name, make([]byte, spec.MaxFileBytes+1), 0o600))
	file, err := os.Open(name)
	require.NoError(t, err)
	defer file.Close()
	_, err = spec.ReadBounded(file, name)
	assert.ErrorContains(t, err, "a layout file may have 1048576")
	zero, err := os.Open("/dev/zero")
	require.NoError(t, err)
	defer zero.Close()
	_, err = spec.ReadBounded(zero, name)
	assert.ErrorContains(t, err, "not a regular file")
}

func TestLoadReportsWhatItCannotRead(t *testing.T) {
	dir := t.TempDir()
	_, ds := spec.Load(filepath.Join(dir, "nowhere"), spec.Given{})
	assert.ErrorContains(t, ds, "there is no such directory")

	_, ds = spec.Load(dir, spec.Given{})
	assert.EqualError(t, ds, "layout has no files")

	require.NoError(t, os.Symlink("/dev/zero", filepath.Join(dir, "endless.hcl")))
	require.NoError(t, os.Symlink("nowhere", filepath.Join(dir, "gone.hcl")))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "huge.hcl"), make([]byte, 1<<20+1), 0o600))
	layout, ds := spec.Load(dir, spec.Given{})
	assert.Nil(t, layout)
	require.Len(t, ds, 3)
	assert.EqualError(t, ds, "endless.hcl: cannot read this layout file (and 2 more)")
	assert.Contains(t, ds[0].Detail, "not a regular file")
}

// TestValuesInARow: values may need each other to some depth, in any order.
func TestValuesInARow(t *testing.T) {
	row := func(n int) string {
		text := "host \"larch\" {}\nvalues {\n"
		for i := range n {
			text += fmt.Sprintf("  v%d = value.v%d\n", i, i+1)
		}
		return text + fmt.Sprintf("  v%d = 1\n}\n", n)
	}
	_, ds := load(t, row(199))
	assert.Empty(t, ds)
	_, ds = load(t, row(200))
	require.Len(t, ds, 1)
	assert.Equal(t, "values refer to each other too deeply", ds[0].Summary)
}

func TestHugePages(t *testing.T) {
	layout, ds := load(t, `host "larch" {}
guest "a" {
  memory {
    size       = gib(4)
    huge_pages = gib(1)
  }
}
guest "b" {
  memory {
    size       = gib(4)
    huge_pages = false
  }
}
guest "c" {
  memory {
    size       = gib(4)
    huge_pages = null
  }
}`)
	require.Empty(t, ds)
	assert.Equal(t, stated(true), layout.Guest("a").Memory.HugePages)
	assert.Equal(t, uint64(1<<30), layout.Guest("a").Memory.PageBytes)
	assert.Equal(t, stated(false), layout.Guest("b").Memory.HugePages)
	assert.Zero(t, layout.Guest("b").Memory.PageBytes)
	assert.Nil(t, layout.Guest("c").Memory.HugePages)
}

func stated(value bool) *bool { return &value }

// One call is bounded by its arguments, a layout by all of its calls: each of
// these would give 1.7 million characters.
func TestCallsTogetherAreBounded(t *testing.T) {
	const call = `strlen(replace(value.x, "", value.x))`
	text := "host \"larch\" {}\nvalues {\n x = \"" + strings.Repeat("a", 1300) + "\"\n"
	for n := range 100 {
		text += fmt.Sprintf(" v%d = %s\n", n, "replace(value.x, \"\", value.x) == \"\" ? 1 : 2")
	}
	text += " y = " + call + "\n}\n"
	_, ds := spec.LoadSources("", []spec.File{{Name: "a.hcl", Bytes: []byte(text)}}, spec.Given{})
	require.True(t, ds.HasErrors())
	assert.Contains(t, ds[0].Detail, "The calls of this layout work on more than 1048576 characters and elements together")
	assert.Equal(t, "a.hcl", ds[0].At.File)
}
