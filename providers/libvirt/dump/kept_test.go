package dump

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// said gathers what a host of that folder would say to whoever asks it.
func said(folder fstest.MapFS) *Seen {
	f := files{folder: folder}
	f.URI, f.Version = f.line("uri"), f.line("version")
	text, _ := f.read("capabilities.xml")
	_ = f.Host(text)
	f.complete = true
	f.guests()
	f.pools()
	f.networks()
	return &f.Seen
}

func folderOf(files map[string]string) fstest.MapFS {
	folder := fstest.MapFS{}
	for name, text := range files {
		folder[name] = file(text)
	}
	return folder
}

// What is kept is what was said, file by file, and is read as that.
func TestFilesAreWhatWasSaid(t *testing.T) {
	folder := captured(t)
	folder["domaincapabilities.xml"] = file("<domainCapabilities><features><hyperv supported='yes'><enum name='features'><value>relaxed</value></enum></hyperv></features></domainCapabilities>")
	seen := said(folder)
	require.NoError(t, seen.Offered(string(folder["domaincapabilities.xml"].Data)))
	kept := folderOf(seen.Files())
	assert.Equal(t, folder, kept)
	assert.Equal(t, seen.Facts(), FromFiles(kept))
}

// What was not said is not known from the files, either.
func TestFilesKeepGaps(t *testing.T) {
	seen := said(captured(t))
	seen.Miss("pools", "qemu:///system", assert.AnError)
	seen.Miss("pools", "qemu:///system", assert.AnError)
	gap := facts.Gap{Fact: "pools", Path: "qemu:///system", Reason: assert.AnError.Error()}
	assert.Equal(t, []facts.Gap{gap}, FromFiles(folderOf(seen.Files())).Gaps)

	nothing := Seen{Virtualization: facts.Virtualization{URI: "qemu:///system"}}
	nothing.Miss("guests and pools", "qemu:///system", assert.AnError)
	var told []string
	for _, g := range FromFiles(folderOf(nothing.Files())).Gaps {
		told = append(told, g.Fact)
	}
	assert.Subset(t, told, []string{"guests and pools", "guests", "pools"})

	for _, broken := range []string{"", "[]", "null", "{}", `[{"fact": "pools"}]`} {
		folder := captured(t)
		folder[gapsFile] = file(broken)
		assert.NotEmpty(t, FromFiles(folder).Gaps, broken)
	}
}

// A guest after which no file can be called is not lost: nobody knows what it uses.
func TestFilesOfStrangeNames(t *testing.T) {
	for _, name := range []string{"../x", "a/b", "a\nb", "a -> b", "l2.live"} {
		seen := said(captured(t))
		seen.Guest(Answers{Name: name, Kept: "<domain><name>x</name></domain>", Live: "<domain/>"})
		kept := FromFiles(folderOf(seen.Files()))
		require.Len(t, kept.Gaps, 1, name)
		assert.Equal(t, "guest "+name, kept.Gaps[0].Fact)
		assert.Len(t, kept.Guests, 2, name)
	}
}
