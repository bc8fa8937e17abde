//go:build libvirt_dlopen

package libvirt

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"libvirt.org/go/libvirt"

	"lendkeep/providers/libvirt/dump"
	"lendkeep/reconcile/facts"
	"lendkeep/testdata/outside"
)

func TestSurveyTellsWhatWasDefined(t *testing.T) {
	c, ctx := judge(t).conn, t.Context()
	test := func(name string) string {
		return strings.Replace(sample(t, name), "<domain type='qemu'", "<domain type='test'", 1)
	}
	require.NoError(t, c.Define(ctx, test("l2-kept")))
	require.NoError(t, c.Define(ctx, test("grading")))
	require.NoError(t, c.Autostart(ctx, "grading", true))
	require.NoError(t, c.Start(ctx, "l2"))
	_, err := c.libvirt.StoragePoolDefineXML("<pool type='dir'><name>shelf</name><target><path>/srv/shelf</path></target></pool>", 0)
	require.NoError(t, err)

	v, answers := c.Answers(ctx)
	folder := fstest.MapFS{}
	for name, text := range answers {
		folder[name] = &fstest.MapFile{Data: []byte(text)}
	}
	kept := dump.FromFiles(folder)
	kept.Offers = v.Offers // libvirt's own reason why there are none
	assert.Equal(t, v, kept, "its answers say the same in files")
	assert.Empty(t, v.Gaps)
	assert.Equal(t, c.uri, v.URI)
	assert.Regexp(t, `^\d+\.\d+\.\d+$`, v.Version)
	assert.Equal(t, "test", v.GuestType)
	assert.Equal(t, "/usr/bin/test-hv", v.Emulator)
	require.NotNil(t, v.IOMMU)
	assert.False(t, *v.IOMMU)
	assert.Equal(t, []facts.Pool{{Name: "shelf", Kind: "dir", Target: "/srv/shelf"}}, v.Pools)

	require.Len(t, v.Guests, 2)
	grading, l2 := v.Guests[0], v.Guests[1]
	assert.Equal(t, "6f1d2a34-0c5e-4b6a-9d11-2f8c53a7e0b1", grading.UUID)
	assert.Equal(t, "shut off", grading.Condition)
	assert.True(t, grading.Autostart)
	assert.Nil(t, grading.Live)
	assert.Equal(t, []facts.Hostdev{{Address: at(4)}}, grading.Kept.Hostdevs)
	assert.Equal(t, "running", l2.Condition)
	assert.True(t, l2.Running)
	assert.Equal(t, strings.TrimRight(test("l2-kept"), "\n"), strings.TrimRight(l2.Kept.XML, "\n"))
	assert.Equal(t, []facts.Hostdev{{Address: at(1), Managed: true, BootOrder: 1}}, l2.Live.Hostdevs)
	assert.Contains(t, l2.Live.XML, " id='")

	// The same answers read from files are the same facts.
	assert.Equal(t, v.Guests, fromFiles(t, v).Guests)
}

// fromFiles writes answers down as a captured host has them and reads them.
func fromFiles(t *testing.T, v facts.Virtualization) facts.Virtualization {
	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	for _, g := range v.Guests {
		write("guests/"+g.Name+".xml", g.Kept.XML)
		if g.Live != nil {
			write("guests/"+g.Name+".live.xml", g.Live.XML)
		}
		if g.Autostart {
			write("guests/"+g.Name+".autostart", "")
		}
	}
	write("pools/shelf.xml", "<pool type='dir'><name>shelf</name><target><path>/srv/shelf</path></target></pool>")
	return dump.FromFiles(os.DirFS(dir))
}

func TestSurveyOfATransientGuestHasNothingKept(t *testing.T) {
	c := judge(t).conn
	g, err := c.libvirt.DomainCreateXML("<domain type='test'><name>passing</name><memory>1024</memory><os><type>hvm</type></os></domain>", 0)
	require.NoError(t, err)
	defer g.Free()
	guests := c.Survey(t.Context()).Guests
	require.Len(t, guests, 1)
	assert.Nil(t, guests[0].Kept)
	assert.NotNil(t, guests[0].Live)
	require.NoError(t, c.Stop(t.Context(), "passing", time.Minute), "it is gone once it is off")
	assert.Empty(t, c.Survey(t.Context()).Guests)
}

func TestSurveyThatIsNotAnsweredIsAGap(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	v := judge(t).conn.Survey(ctx)
	require.Len(t, v.Gaps, 1)
	assert.Equal(t, "guests and pools", v.Gaps[0].Fact)
	assert.NotEmpty(t, v.URI)
}

func TestDefineKeepsPasswordsThatNoSurveyHolds(t *testing.T) {
	c, ctx := judge(t).conn, t.Context()
	xml := strings.Replace(sample(t, "grading"), "<domain type='qemu'", "<domain type='test'", 1)
	require.NoError(t, c.Define(ctx, strings.Replace(xml, "<graphics type='vnc'", "<graphics type='vnc' passwd='lighthouse'", 1)))
	seen := c.Survey(ctx).Guests[0].Kept.XML
	assert.NotContains(t, seen, "lighthouse")
	require.NoError(t, c.Define(ctx, seen))
	full, err := ask(ctx, c, "", "grading", func(g *libvirt.Domain) (string, error) { return g.GetXMLDesc(libvirt.DOMAIN_XML_SECURE) })
	require.NoError(t, err)
	assert.Contains(t, full, "passwd='lighthouse'")
}

func TestGuestWhoseMemoryWasSavedIsLeftAlone(t *testing.T) {
	c, ctx := judge(t).conn, t.Context()
	xml := strings.Replace(sample(t, "grading"), "<domain type='qemu'", "<domain type='test'", 1)
	require.NoError(t, c.Define(ctx, xml))
	require.NoError(t, c.Start(ctx, "grading"))
	require.NoError(t, c.on(ctx, "save", "grading", func(g *libvirt.Domain) error { return g.ManagedSave(0) }))
	assert.ErrorContains(t, c.Define(ctx, xml), "virsh managedsave-remove")
	assert.ErrorContains(t, c.Undefine(ctx, "grading"), "virsh managedsave-remove")
	assert.Len(t, c.Survey(ctx).Guests, 1)
}

func TestStopNeverCutsAGuestOff(t *testing.T) {
	c, ctx := judge(t).conn, t.Context()
	xml := strings.Replace(sample(t, "l2-kept"), "<domain type='qemu'", "<domain type='test'", 1)
	require.NoError(t, c.Define(ctx, xml))
	require.NoError(t, c.Start(ctx, "l2"))
	require.NoError(t, c.Stop(ctx, "l2", 0), "one that is off at once needs no time")

	// With this a guest of the test driver starts again instead.
	require.NoError(t, c.Define(ctx, strings.Replace(xml, "<on_poweroff>destroy<", "<on_poweroff>restart<", 1)))
	require.NoError(t, c.Start(ctx, "l2"))
	err := c.Stop(ctx, "l2", 2*askAgain)
	require.ErrorContains(t, err, "shut down guest l2: it did not shut down within 400ms and is running")
	assert.True(t, c.Survey(ctx).Guests[0].Running)

	ctx, cancel := context.WithCancel(ctx)
	time.AfterFunc(askAgain/2, cancel)
	err = c.Stop(ctx, "l2", time.Hour)
	require.ErrorIs(t, err, context.Canceled)
	assert.ErrorContains(t, err, "not known")
}

func TestCallThatIsNotAnswered(t *testing.T) {
	c := judge(t).conn
	ctx, cancel := context.WithCancel(t.Context())
	hold, begun := make(chan bool), make(chan bool)
	go func() {
		<-begun
		cancel()
	}()
	_, err := call(ctx, c, "start guest grading", func() (string, error) {
		close(begun)
		<-hold
		return "late", nil
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.ErrorContains(t, err, "start guest grading: libvirt has not answered, so that nobody knows whether it was done")

	// Closed under a call that waits, the connection lives until it is back.
	c.Close()
	assert.ErrorContains(t, c.Start(t.Context(), "grading"), "the connection is closed")
	alive, err := c.libvirt.IsAlive()
	assert.NoError(t, err)
	assert.True(t, alive)
	close(hold)
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	judge(t)
	_, err := Open("qemu+unix:///system?socket=/nonexistent/libvirt-sock")
	assert.ErrorContains(t, err, "connect to libvirt at qemu+unix:")
	assert.ErrorContains(t, err, "systemctl status libvirtd")
	_, err = Open("nonsense://")
	assert.ErrorContains(t, err, "connect to libvirt at nonsense://: ")
}

// Without the library there is an error that says so, and no crash. An empty
// file is put in its place for a child process alone.
func TestOpenWithoutTheLibrary(t *testing.T) {
	if os.Getenv("LENDKEEP_TEST_CHILD") == "no library" {
		_, err := Open("test:///default")
		require.ErrorIs(t, err, ErrMissing)
		_, err = OpenJudge()
		require.ErrorIs(t, err, ErrMissing)
		return
	}
	var libraries []string
	for _, pattern := range []string{"/usr/lib/*/libvirt.so.0", "/usr/lib/libvirt.so.0", "/usr/lib64/libvirt.so.0"} {
		found, err := filepath.Glob(pattern)
		require.NoError(t, err)
		libraries = append(libraries, found...)
	}
	empty := filepath.Join(t.TempDir(), "empty")
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	script := `for library in "$@"; do mount --bind "$empty" "$(readlink -f "$library")" || exit 9; done; exec "$self" -test.run '^TestOpenWithoutTheLibrary$' -test.v`
	child := exec.Command("unshare", append([]string{"--user", "--map-root-user", "--mount", "sh", "-c", script, "sh"}, libraries...)...)
	child.Env = append(os.Environ(), "LENDKEEP_TEST_CHILD=no library", "empty="+empty, "self="+os.Args[0])
	said, err := child.CombinedOutput()
	if err != nil && !strings.Contains(string(said), "=== RUN") {
		t.Skipf("the library cannot be hidden from a child process here: %v: %s", err, said)
	}
	require.NoError(t, err, "%s", said)
	assert.Contains(t, string(said), "--- PASS")
}

// Every hint is tied to words that the programs of Debian 12 can say.
func TestHintsMeetTheWordsOfTheirPrograms(t *testing.T) {
	folders := map[string]string{library: "/usr/lib/*/", qemu: "/usr/lib/*/libvirt/connection-driver/", program: "/usr/bin/"}
	contents := map[string]string{}
	for name, folder := range folders {
		files, err := filepath.Glob(folder + name)
		require.NoError(t, err)
		if len(files) == 0 {
			continue
		}
		content, err := os.ReadFile(files[0])
		require.NoError(t, err)
		contents[name] = string(content)
	}
	for _, h := range hints {
		t.Run(h.says, func(t *testing.T) {
			if contents[h.from] == "" {
				outside.Missing(t, h.from+" is not installed (Debian packages libvirt0, libvirt-daemon-driver-qemu, qemu-system-x86)")
			}
			assert.Contains(t, contents[h.from], h.says)
		})
	}
}
