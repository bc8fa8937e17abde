package windows

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/formats/ntfs"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/windows"
)

const hiveBytes = 256 << 10

// padded gives a hive as a file that is larger.
func padded(key windows.Key) []byte {
	b := windows.Hive(key)
	return append(b, make([]byte, hiveBytes-len(b))...)
}

// partition is a volume with an installed Windows, whose hives can be put in place
// of the old ones.
type partition struct {
	b      []byte
	places map[string]uint64
}

func installed(t testing.TB, files map[string][]byte) *partition {
	all := map[string][]byte{
		"Windows/System32/config/SYSTEM":        padded(windows.System()),
		"Windows/System32/config/SYSTEM.LOG1":   padded(windows.Key{}), // any bytes
		"Windows/System32/config/SOFTWARE":      padded(windows.Software()),
		"Windows/System32/drivers/stornvme.sys": []byte("MZ"),
	}
	for name, content := range files {
		if all[name] = content; content == nil {
			delete(all, name)
		}
	}
	b, err := os.ReadFile(windows.Volume(t, 8, all))
	require.NoError(t, err)
	p := &partition{b, map[string]uint64{}}
	v, err := ntfs.Open(bytes.NewReader(b), uint64(len(b)))
	require.NoError(t, err)
	for _, name := range []string{"SYSTEM", "SYSTEM.LOG1", "SOFTWARE"} {
		f, err := v.Find("Windows", "System32", "config", name)
		require.NoError(t, err)
		p.places[name], err = f.Place(0, hiveBytes)
		require.NoError(t, err)
	}
	p.put("SYSTEM.LOG1", make([]byte, 4096))
	return p
}

func (p *partition) put(name string, b []byte) { copy(p.b[p.places[name]:], b) }

func (p *partition) look() *facts.Installed {
	r := bytes.NewReader(p.b)
	v := content.Look(r, 0, uint64(len(p.b)))
	v.Number = 3
	return look(r, uint64(len(p.b)), v)
}

func (p *partition) words() ([]Word, error) {
	r := bytes.NewReader(p.b)
	c := &facts.Content{SectorBytes: 512, Table: &facts.Table{Entries: []facts.Entry{{Number: 3, Last: uint64(len(p.b))/512 - 1}}}, Volumes: []facts.Volume{content.Look(r, 0, uint64(len(p.b)))}}
	c.Volumes[0].Number = 3
	return Words(r, c, 3)
}

const nvme = `ControlSet001\Services\stornvme`

func TestLook(t *testing.T) {
	p := installed(t, nil)
	system := windows.System
	text := func(name string, n int) windows.Value {
		return windows.Value{Name: name, Type: 7, Data: make([]byte, n)}
	}
	for name, c := range map[string]struct {
		system   windows.Key
		question facts.Matter
		says     facts.Held
		mendable bool
		seen     string
	}{
		"starts at boot":           {system(), facts.AsksDriver, facts.Present, false, `stornvme\Start is 0; its driver file is there`},
		"starts on demand":         {system(windows.Start("stornvme", 3)), facts.AsksDriver, facts.Absent, true, `stornvme\Start is 3`},
		"overridden":               {system(windows.Over("stornvme", "0", 3)), facts.AsksDriver, facts.Absent, true, `stornvme\Start is 0, StartOverride\0 is 3`},
		"override that says boot":  {system(windows.Over("stornvme", "0", 0)), facts.AsksDriver, facts.Present, false, `StartOverride\0 is 0`},
		"both":                     {system(windows.Start("stornvme", 3), windows.Over("stornvme", "0", 3)), facts.AsksDriver, facts.Absent, true, `is 3, StartOverride\0 is 3`},
		"another override":         {system(windows.Over("stornvme", "1", 3)), facts.AsksDriver, facts.Unknown, false, `what the other numbers of stornvme\StartOverride mean is not known`},
		"another, and not at boot": {system(windows.Start("stornvme", 3), windows.Over("stornvme", "1", 3)), facts.AsksDriver, facts.Absent, false, "not known"},
		"no service":               {system(windows.Without(nvme)), facts.AsksDriver, facts.Absent, false, "stornvme: it is not there"},
		"no start":                 {system(windows.Without(nvme + `\Start`)), facts.AsksDriver, facts.Absent, false, `stornvme\Start: it is not there`},
		"start is a text":          {system(windows.Without(nvme+`\Start`), windows.Set(nvme, windows.Text("Start", "0"))), facts.AsksDriver, facts.Unknown, false, `"Start" is no number`},
		"another driver file":      {system(windows.Without(nvme+`\ImagePath`), windows.Set(nvme, windows.Text("ImagePath", `other.sys`))), facts.AsksDriver, facts.Unknown, false, `its driver is to be "other.sys"`},
		"a long path":              {system(windows.Without(nvme+`\ImagePath`), windows.Set(nvme, windows.Text("ImagePath", `\SystemRoot\System32\drivers\stornvme.sys`))), facts.AsksDriver, facts.Present, false, "is there"},
		"no path":                  {system(windows.Without(nvme + `\ImagePath`)), facts.AsksDriver, facts.Present, false, "is there"},
		"pci is overridden":        {system(windows.Start("pci", 0), windows.Over("pci", "0", 3)), facts.AsksDriver, facts.Absent, false, "pci is kept from starting at boot"},
		"and not at boot either":   {system(windows.Start("stornvme", 3), windows.Start("partmgr", 0), windows.Over("partmgr", "0", 3)), facts.AsksDriver, facts.Absent, false, "partmgr is kept"},
		"pci, but for boot":        {system(windows.Start("pci", 0), windows.Over("pci", "0", 0)), facts.AsksDriver, facts.Present, false, "is there"},
		"another controller's":     {system(windows.Start("STORAHCI", 0), windows.Over("STORAHCI", "0", 3)), facts.AsksDriver, facts.Present, false, "is there"},
		"nobody knows it":          {system(windows.Start("filter", 0), windows.Over("filter", "0", 3)), facts.AsksDriver, facts.Unknown, false, `"filter" is kept`},
		"not at boot anyway":       {system(windows.Start("filter", 3), windows.Over("filter", "0", 3)), facts.AsksDriver, facts.Present, false, "is there"},
		"the next set is another":  {system(windows.Without(`Select\Default`), windows.Set("Select", windows.Number("Default", 2))), facts.AsksDriver, facts.Unknown, false, "its control set is 1, the next one 2"},
		"no set":                   {system(windows.Without("ControlSet001")), facts.AsksDriver, facts.Unknown, false, "ControlSet001: it is not there"},
		"fast startup is off":      {system(), facts.AsksShutdown, facts.Present, false, "HiberbootEnabled is 0"},
		"fast startup, no file":    {system(windows.Fast(1)), facts.AsksShutdown, facts.Present, false, `it cannot hibernate, there is no \hiberfil.sys`},
		"fast startup, not told":   {system(windows.Without(`ControlSet001\Control\Session Manager\Power`)), facts.AsksShutdown, facts.Present, false, "HiberbootEnabled was not seen; it cannot hibernate"},
		"plain":                    {system(), facts.AsksEncryption, facts.Present, false, "partition 3 is a plain NTFS"},
		"nothing waits":            {system(), facts.AsksPending, facts.Present, false, "nothing waits"},
		"renames wait":             {system(windows.Set(`ControlSet001\Control\Session Manager`, text("PendingFileRenameOperations", 90))), facts.AsksPending, facts.Absent, false, "are to be renamed"},
		"no renames wait":          {system(windows.Set(`ControlSet001\Control\Session Manager`, text("PendingFileRenameOperations", 2))), facts.AsksPending, facts.Present, false, "nothing waits"},
		"a setup waits":            {system(windows.Set("Setup", windows.Number("SystemSetupInProgress", 1))), facts.AsksPending, facts.Absent, false, "setup"},
	} {
		t.Run(name, func(t *testing.T) {
			p.put("SYSTEM", padded(c.system))
			got := p.look()
			require.NotNil(t, got)
			assert.Equal(t, "windows", got.Kind)
			assert.Equal(t, 3, got.Partition)
			a := got.Answer(c.question)
			assert.Equal(t, c.says, a.Says, a.Seen)
			assert.Equal(t, c.mendable, a.Mendable, a.Seen)
			assert.Contains(t, a.Seen, c.seen)
			words, err := p.words()
			if a.Mendable {
				require.NoError(t, err)
				for _, w := range words {
					assert.Equal(t, w.Now, binary.LittleEndian.Uint32(p.b[w.At:]), w.Name)
					copy(p.b[w.At:], make([]byte, 4))
				}
				mended := p.look().Answer(facts.AsksDriver)
				assert.Equal(t, facts.Present, mended.Says, mended.Seen)
			} else if c.question == facts.AsksDriver && c.says != facts.Present {
				assert.Error(t, err)
			}
		})
	}
	p.put("SYSTEM", padded(system()))
	p.put("SOFTWARE", padded(windows.Software().With(`Microsoft\Windows\CurrentVersion\Component Based Servicing\RebootPending`)))
	got := p.look()
	assert.Equal(t, "Windows 11 Pro (build 22631)", got.Name)
	assert.Equal(t, facts.Absent, got.Answer(facts.AsksPending).Says)
	p.put("SOFTWARE", padded(windows.Software().With(`Policies\Microsoft\Windows\System`, windows.Number("HiberbootEnabled", 1))))
	assert.Contains(t, p.look().Answer(facts.AsksShutdown).Seen, "by a policy it is on")
	p.put("SOFTWARE", []byte("no hive"))
	assert.Equal(t, facts.Unknown, p.look().Answer(facts.AsksPending).Says)
}

// While the hive or its volume is not clean nothing is known, and nothing may be
// changed, whatever is seen.
func TestUnsettledIsUnknown(t *testing.T) {
	word := func(b []byte, at int, n uint32) []byte {
		b = bytes.Clone(b)
		binary.LittleEndian.PutUint32(b[at:], n)
		windows.Seal(b)
		return b
	}
	good := padded(windows.System(windows.Start("stornvme", 3)))
	log := make([]byte, 4096)
	copy(log, "regf")
	log = word(log, 4, 8)
	for name, c := range map[string]struct {
		change func(t *testing.T, p *partition)
		says   string
	}{
		"sequence": {func(t *testing.T, p *partition) { p.put("SYSTEM", word(good, 8, 6)) }, "it was not written in full"},
		"checksum": {func(t *testing.T, p *partition) { p.put("SYSTEM", append(bytes.Clone(good[:508]), 1, 2, 3, 4)) }, "checksum"},
		"log":      {func(t *testing.T, p *partition) { p.put("SYSTEM.LOG1", log) }, "SYSTEM.LOG1: it holds what was written after the hive was"},
		"no log":   {func(t *testing.T, p *partition) { p.put("SYSTEM.LOG1", []byte("gone")) }, "does not begin as one"},
		"dirty":    {func(t *testing.T, p *partition) { p.run(t, "ntfsfix") }, "its volume is dirty"},
		"hibernated": {func(t *testing.T, p *partition) {
			p.change(t, "head -c 9000 /dev/zero | sed 's/^..../HIBR/' > hiberfil.sys")
		}, "its volume is hibernated"},
		"its end is not known": {func(t *testing.T, p *partition) { p.change(t, "yes hiber | head -c 9000 > hiberfil.sys") },
			"its volume is unknown"},
	} {
		t.Run(name, func(t *testing.T) {
			p := installed(t, nil)
			p.put("SYSTEM", good)
			require.True(t, p.look().Answer(facts.AsksDriver).Mendable)
			c.change(t, p)
			got := p.look()
			a := got.Answer(facts.AsksDriver)
			assert.Equal(t, facts.Unknown, a.Says)
			assert.False(t, a.Mendable)
			assert.Contains(t, a.Seen, `stornvme\Start is 3`)
			assert.Contains(t, a.Seen, c.says)
			_, err := p.words()
			assert.ErrorContains(t, err, c.says)
			if name == "hibernated" {
				assert.Equal(t, facts.Absent, got.Answer(facts.AsksShutdown).Says)
			}
		})
	}
}

// run has a program change the volume.
func (p *partition) run(t *testing.T, program string) {
	path := t.TempDir() + "/volume"
	require.NoError(t, os.WriteFile(path, p.b, 0o600))
	said, err := exec.Command(program, path).CombinedOutput()
	require.NoError(t, err, "%s", said)
	p.b, err = os.ReadFile(path)
	require.NoError(t, err)
}

// change has a shell change the mounted volume.
func (p *partition) change(t *testing.T, script string) {
	path := t.TempDir() + "/volume"
	require.NoError(t, os.WriteFile(path, p.b, 0o600))
	windows.Change(t, path, "sh", "-c", script)
	var err error
	p.b, err = os.ReadFile(path)
	require.NoError(t, err)
}

func TestFiles(t *testing.T) {
	driver := func(p *partition) facts.Answer { return p.look().Answer(facts.AsksDriver) }
	a := driver(installed(t, map[string][]byte{"Windows/System32/drivers/stornvme.sys": nil}))
	assert.Equal(t, facts.Absent, a.Says)
	assert.Contains(t, a.Seen, `\Windows\System32\drivers: it is not there`)
	a = driver(installed(t, map[string][]byte{"Windows/System32/drivers/stornvme.sys": {}}))
	assert.Equal(t, facts.Absent, a.Says)
	assert.False(t, a.Mendable)
	p := installed(t, map[string][]byte{"hiberfil.sys": make([]byte, 9000)})
	p.put("SYSTEM", padded(windows.System(windows.Fast(1))))
	got := p.look().Answer(facts.AsksShutdown)
	assert.Equal(t, facts.Absent, got.Says, got.Seen)
	p.put("SYSTEM", padded(windows.System(windows.Without(`ControlSet001\Control\Session Manager\Power`))))
	got = p.look().Answer(facts.AsksShutdown)
	assert.Equal(t, facts.Unknown, got.Says)
	assert.Contains(t, got.Seen, "HiberbootEnabled was not seen; ")
	p.put("SYSTEM", padded(windows.System()))
	assert.Equal(t, facts.Present, p.look().Answer(facts.AsksShutdown).Says)
	p.put("SOFTWARE", padded(windows.Software().With(`Policies\Microsoft\Windows\System`, windows.Number("HiberbootEnabled", 1))))
	assert.Equal(t, facts.Absent, p.look().Answer(facts.AsksShutdown).Says, "by a policy")
	p.put("SOFTWARE", []byte("no hive"))
	assert.Equal(t, facts.Unknown, p.look().Answer(facts.AsksShutdown).Says)

	b, err := os.ReadFile(windows.Volume(t, 8, map[string][]byte{"Windows/System32/other": []byte("x")}))
	require.NoError(t, err)
	assert.Nil(t, (&partition{b: b}).look(), "no Windows is installed there")
	p.put("SYSTEM", []byte("xxxx"))
	broken := p.look()
	assert.Equal(t, "windows", broken.Kind)
	assert.Contains(t, broken.Gap, "it is no registry hive")
	assert.Equal(t, facts.Unknown, broken.Answer(facts.AsksDriver).Says)
}

func TestOtherVolumes(t *testing.T) {
	for _, kind := range []string{"ext4", "ReFS"} {
		assert.Nil(t, look(bytes.NewReader(nil), 0, facts.Volume{Number: 2, Signature: &facts.Signature{Kind: kind}}))
	}
	assert.Nil(t, look(bytes.NewReader(nil), 0, facts.Volume{}))
}

// No service is on both lists.
func TestListsAreApart(t *testing.T) {
	seen := map[string]bool{}
	for _, name := range append(append([]string{service}, needed...), others...) {
		name = strings.ToLower(name)
		assert.False(t, seen[name], name)
		seen[name] = true
	}
}

// FuzzLook changes single places of a volume: whatever may be mended can be found
// and stands where it is told to.
func FuzzLook(f *testing.F) {
	p := installed(f, nil)
	p.put("SYSTEM", padded(windows.System(windows.Start("stornvme", 3), windows.Over("stornvme", "0", 3))))
	good := bytes.Clone(p.b)
	f.Add(uint32(p.places["SYSTEM"]), []byte("regf"))
	f.Fuzz(func(t *testing.T, at uint32, change []byte) {
		p := &partition{b: bytes.Clone(good)}
		copy(p.b[int(at)%len(good):], change)
		got := p.look()
		mendable := got.Answer(facts.AsksDriver).Mendable
		words, err := p.words()
		require.True(t, !mendable || err == nil, "%v", err)
		for _, w := range words {
			require.Equal(t, w.Now, binary.LittleEndian.Uint32(p.b[w.At:]))
		}
	})
}

// A real one has some hundred services, and files in large folders: few bytes of
// it are read.
func TestReadsLittle(t *testing.T) {
	system := windows.System()
	for i := range 900 {
		system = system.With(fmt.Sprintf(`ControlSet001\Services\svc%03d`, i), windows.Number("Start", 3), windows.Text("ImagePath", strings.Repeat("x", 100)))
		system = system.With(fmt.Sprintf(`ControlSet001\Services\svc%03d\Parameters`, i), windows.Text("Other", strings.Repeat("x", 500)))
	}
	b := windows.Hive(system)
	b = append(b, make([]byte, 24<<20-len(b))...)
	raw, err := os.ReadFile(windows.Volume(t, 64, map[string][]byte{"Windows/System32/config/SYSTEM": b, "Windows/System32/drivers/stornvme.sys": []byte("MZ")}))
	require.NoError(t, err)
	r := &counting{Reader: bytes.NewReader(raw)}
	v := content.Look(bytes.NewReader(raw), 0, uint64(len(raw)))
	got := look(r, uint64(len(raw)), v)
	assert.Equal(t, facts.Present, got.Answer(facts.AsksDriver).Says, got.Answer(facts.AsksDriver).Seen)
	assert.Less(t, r.bytes, 4<<20)
	t.Logf("%d bytes", r.bytes)
}

type counting struct {
	*bytes.Reader
	bytes int
}

func (c *counting) ReadAt(b []byte, at int64) (int, error) {
	c.bytes += len(b)
	return c.Reader.ReadAt(b, at)
}
