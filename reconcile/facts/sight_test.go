package facts_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

const image = "/srv/images/grading.qcow2"

// Who says what about the system in an image, and when nobody can.
func TestSystemIn(t *testing.T) {
	says := map[facts.Matter]facts.Held{facts.AsksDriver: facts.Present}
	second := "<disk type='file' device='disk'><driver name='qemu' type='raw'/><source file='/srv/images/games.img'/><target dev='vdb' bus='virtio'/></disk>"
	for name, c := range map[string]struct {
		change func(*invented.Builder)
		of     string
		why    string
	}{
		"nobody looked":    {func(b *invented.Builder) { b.Survey.Contents = nil }, "", "nobody looked into " + image},
		"nothing was seen": {func(b *invented.Builder) { b.Survey.Contents[0].System = nil }, "", "no installed system was seen"},
		"off":              {func(b *invented.Builder) {}, "image " + image, ""},
		"not read in full": {func(b *invented.Builder) {
			b.Survey.Contents[0].Gaps = []facts.Gap{{Fact: "content", Reason: "it is encrypted"}}
		}, "", "it is encrypted"},
		"half a copy":      {func(b *invented.Builder) { b.Survey.Contents[0].Unfinished = "k" }, "", "has not ended"},
		"it runs":          {func(b *invented.Builder) { b.Run("grading") }, "", "guest grading runs, and did not say"},
		"it runs and says": {func(b *invented.Builder) { b.Run("grading"); b.Says("grading", "linux", says) }, "guest grading", ""},
		"it said, when on": {func(b *invented.Builder) { b.Says("grading", "linux", says) }, "image " + image, ""},
		"another disk, too": {func(b *invented.Builder) {
			b.Device("grading", second)
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "was started from"},
		"another disk behind it": {func(b *invented.Builder) {
			b.Device("grading", strings.Replace(second, "<target", "<boot order='2'/><target", 1))
			rank(b, "<boot order='1'/>")
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "guest grading", ""},
		"another disk before it": {func(b *invented.Builder) {
			b.Device("grading", strings.Replace(second, "<target", "<boot order='1'/><target", 1))
			rank(b, "<boot order='2'/>")
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "was started from"},
		"a drive is lent to it": {func(b *invented.Builder) {
			b.Hold("grading", b.NVMe("RL-4410-0073"))
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "was started from"},
		"a disc is tried first": {func(b *invented.Builder) {
			edit(b, "</os>", "<boot dev='cdrom'/><boot dev='hd'/></os>")
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "was started from"},
		"the host gives it a kernel": {func(b *invented.Builder) {
			edit(b, "</os>", "<kernel>/srv/boot/vmlinuz</kernel><cmdline>root=share rootfstype=virtiofs</cmdline></os>")
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "was started from"},
		"another guest has it": {func(b *invented.Builder) {
			b.Guest("rescue", image)
			b.Device("rescue", second)
			b.Run("rescue")
			b.Says("rescue", "linux", says)
		}, "", "was started from"},
		"two guests have it": {func(b *invented.Builder) {
			b.Guest("rescue", image)
			b.Run("rescue")
			b.Run("grading")
			b.Says("grading", "linux", says)
		}, "", "several guests"},
		"it is the base of what runs": {func(b *invented.Builder) {
			b.Guest("clone", "/srv/images/clone.qcow2")
			b.Survey.Paths[1].Backing = image
			b.Run("clone")
			b.Says("clone", "linux", says)
		}, "", "was started from"},
	} {
		t.Run(name, func(t *testing.T) {
			b := invented.NewBuilder()
			b.Guest("grading", image)
			b.System(image)
			b.Holds(image, "linux", says)
			c.change(b)
			sight := facts.NewIndex(&b.Survey).SystemIn(image)
			assert.Equal(t, c.of, sight.Of)
			a := sight.Answer(facts.AsksDriver)
			if c.why == "" {
				assert.Equal(t, facts.Present, a.Says)
				return
			}
			assert.Equal(t, facts.Unknown, a.Says)
			assert.Contains(t, a.Seen, c.why)
		})
	}
}

// rank gives the first disk of grading a place in the boot order.
func rank(b *invented.Builder, place string) {
	edit(b, "<target dev=\"vda\"", place+"<target dev=\"vda\"")
}

func edit(b *invented.Builder, old, with string) {
	for _, quote := range []string{old, strings.ReplaceAll(old, `"`, "'")} {
		b.Edit("grading", quote, with)
	}
}

// Of two answers to one question the first would count, so there are none.
func TestTwoAnswersAreRefused(t *testing.T) {
	b := invented.NewBuilder()
	b.System(image)
	b.Holds(image, "windows", map[facts.Matter]facts.Held{facts.AsksDriver: facts.Present})
	var file strings.Builder
	require.NoError(t, b.Survey.Encode(&file))
	_, err := facts.Decode([]byte(file.String()))
	require.NoError(t, err)
	i := b.Survey.Contents[0].System
	i.Answers = append(i.Answers, facts.Answer{Question: facts.AsksDriver, Says: facts.Absent})
	file.Reset()
	require.NoError(t, b.Survey.Encode(&file))
	_, err = facts.Decode([]byte(file.String()))
	require.ErrorContains(t, err, "listed twice")
	i.Answers, i.Guest = nil, "grading"
	file.Reset()
	require.NoError(t, b.Survey.Encode(&file))
	_, err = facts.Decode([]byte(file.String()))
	require.ErrorContains(t, err, "was read from bytes")
}

// What is neither yes nor no is not known, and only a no can be mended.
func TestAnswersThatSayNothing(t *testing.T) {
	for _, held := range []facts.Held{"", "yes", "unknown"} {
		s := facts.Sight{System: &facts.Installed{Kind: "windows", Answers: []facts.Answer{{Question: facts.AsksDriver, Says: held, Mendable: true}}}}
		assert.Equal(t, facts.Unknown, s.Answer(facts.AsksDriver).Says)
		assert.False(t, s.Answer(facts.AsksDriver).Mendable)
	}
	s := facts.Sight{System: &facts.Installed{Kind: "windows", Answers: []facts.Answer{{Question: facts.AsksDriver, Says: facts.Present, Mendable: true}}}}
	assert.Equal(t, facts.Present, s.Answer(facts.AsksDriver).Says)
	assert.False(t, s.Answer(facts.AsksDriver).Mendable)
	for _, kind := range []string{"", "plan9"} {
		s.System.Kind = kind
		assert.Equal(t, facts.Unknown, s.Answer(facts.AsksDriver).Says, "of what system is that?")
	}
}

func TestInitramfsCommands(t *testing.T) {
	for system, want := range map[string]string{"Debian GNU/Linux 12 (bookworm)": "update-initramfs", "Ubuntu 24.04": "update-initramfs", "Fedora Linux 40": "dracut -f", "openSUSE Leap 15.6": "dracut -f", "Arch Linux": "mkinitcpio -P", "Alpine Linux v3.20": "mkinitfs"} {
		list := facts.InitramfsCommands(system)
		require.Len(t, list, 1, system)
		assert.Contains(t, list[0], want)
	}
	assert.Len(t, facts.InitramfsCommands("homemade"), 4)
}
