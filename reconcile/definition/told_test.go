package definition

import (
	"encoding/xml"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/beevik/etree"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// difference is one way in which a definition is another after an edit.
type difference struct {
	path     string // "domain/os/loader", "domain/vcpu@current", "domain/vcpu#" for its text
	was, now string
	gone     *etree.Element
	made     *etree.Element
}

func pathOf(token etree.Token) string {
	path := ""
	for e := token.Parent(); e != nil && e.Tag != ""; e = e.Parent() {
		path = e.FullTag() + "/" + path
	}
	if e, ok := token.(*etree.Element); ok {
		return path + e.FullTag()
	}
	return path
}

// attached tells whether a token is still in the document.
func (t *tree) attached(token etree.Token) bool {
	for e := token.Parent(); e != nil; e = e.Parent() {
		if e == &t.doc.Element {
			return true
		}
	}
	return token.Parent() == &t.doc.Element
}

// differences lists all that is not as it was read, white space aside.
func (t *tree) differences() []difference {
	var list []difference
	for token, was := range t.written {
		switch now := token.(type) {
		case *etree.Element:
			if now.Parent() == nil {
				list = append(list, difference{path: now.FullTag(), gone: now})
			} else if t.attached(now) {
				list = append(list, attrDifferences(now, was.attrs)...)
			}
		case *etree.CharData:
			// Text that is replaced is another token.
			if now.Parent() == nil && strings.TrimSpace(was.text) != "" {
				list = append(list, difference{path: "text", was: was.text})
			}
		default:
			if now.Parent() == nil {
				list = append(list, difference{path: "comment", was: was.open})
			}
		}
	}
	return append(list, t.made(t.doc.Root())...)
}

func attrDifferences(e *etree.Element, read []xml.Attr) []difference {
	var was []etree.Attr
	for _, a := range read {
		was = append(was, etree.Attr{Space: a.Name.Space, Key: a.Name.Local, Value: a.Value})
	}
	var list []difference
	for _, a := range was {
		if now := e.SelectAttrValue(a.FullKey(), ""); now != a.Value {
			list = append(list, difference{path: pathOf(e) + "@" + a.FullKey(), was: a.Value, now: now})
		}
	}
	for _, a := range e.Attr {
		if !slices.ContainsFunc(was, func(b etree.Attr) bool { return a.FullKey() == b.FullKey() }) {
			list = append(list, difference{path: pathOf(e) + "@" + a.FullKey(), now: a.Value})
		}
	}
	return list
}

// made lists the topmost elements and the texts that were not read.
func (t *tree) made(e *etree.Element) []difference {
	var list []difference
	for _, token := range e.Child {
		_, had := t.written[token]
		switch token := token.(type) {
		case *etree.Element:
			if !had {
				list = append(list, difference{path: pathOf(token), made: token})
			} else {
				list = append(list, t.made(token)...)
			}
		case *etree.CharData:
			if !had && !blank(token) {
				list = append(list, difference{path: pathOf(token) + "#", now: token.Data})
			}
		}
	}
	return list
}

// ways gives the words by which each difference may be told, one way a line;
// every word of a way must stand in one and the same sentence. Nothing else is
// a way: what has none is not told.
func (d difference) ways() [][]string {
	switch {
	case d.gone != nil:
		return d.goneWays()
	case d.made != nil:
		return d.madeWays()
	}
	exact := []string{d.was, d.now}
	switch d.path {
	case "text": // of the element whose new text is told
		return [][]string{{""}}
	case "domain/memory#", "domain/memory@unit", "domain/currentMemory#", "domain/currentMemory@unit":
		return [][]string{{"memory ", "instead of"}}
	case "domain/vcpu#":
		return [][]string{{"processor", d.now, "instead of"}}
	case "domain/vcpu@current":
		return [][]string{{"processor", "instead of " + d.was}}
	case "domain/cputune/vcpupin@cpuset":
		return [][]string{{"processors on CPUs", d.now, "instead of", d.was}}
	case "domain/cputune/emulatorpin@cpuset":
		return [][]string{{"its emulator on CPUs " + d.now, "instead of " + d.was}}
	case "domain/cputune/iothreadpin@cpuset":
		return [][]string{{"its IO thread", d.now, "instead of " + d.was}}
	case "domain/numatune/memory@mode", "domain/numatune/memory@nodeset", "domain/numatune/memory@placement":
		return [][]string{{"all its memory from node", "instead of <memory", d.was}}
	case "domain/cputune/vcpusched@vcpus":
		return [][]string{exact}
	case "domain/os@firmware":
		return [][]string{{"no longer chooses firmware", d.was}, {"firmware UEFI"}}
	case "domain/devices/disk@type":
		return [][]string{{"disk ", "instead of"}}
	case "domain/devices/interface@type", "domain/devices/disk/target@bus", "domain/devices/interface/model@type", "domain/devices/interface/mac@address":
		return [][]string{exact}
	case "domain/devices/disk/target@dev":
		return [][]string{{d.now, "instead of"}}
	case "domain/devices/disk/driver@type":
		return [][]string{{"read as " + d.now}, {"instead of nothing"}, {"disk ", "instead of"}}
	case "domain/devices/hostdev@managed":
		return [][]string{{"managed"}}
	}
	switch {
	case strings.HasPrefix(d.path, "domain/cpu/topology@"):
		return [][]string{{"one socket", fmt.Sprintf("%s='%s'", d.path[len("domain/cpu/topology@"):], d.was)}}
	case strings.HasPrefix(d.path, "domain/devices/hostdev/source/address@"):
		return [][]string{{"borrows", "instead of"}}
	case strings.HasPrefix(d.path, "domain/devices/hostdev/rom@"):
		return [][]string{{"option ROM"}}
	case strings.HasSuffix(d.path, "/boot@order"):
		return [][]string{{"starts from", d.now}}
	case strings.HasPrefix(d.path, "domain/devices/disk") && d.now == "":
		key := d.path[strings.Index(d.path, "@")+1:]
		return [][]string{{"without " + key + "='" + d.was}}
	}
	return nil
}

func (d difference) goneWays() [][]string {
	e := d.gone
	ways := [][]string{{"without " + spelled(e)}}
	if bare(e) && len(e.Attr) <= 1 {
		for _, a := range e.Attr {
			ways = append(ways, []string{"instead of", a.Value}) // <source file=''/>
		}
	}
	switch {
	case bare(e) && len(e.Attr) == 0:
		ways = append(ways, []string{""}) // nothing was in it
	case e.Tag == "hostdev":
		a, _ := addressOf(at(e, "source", "address"))
		ways = append(ways, []string{"no longer borrows", a.String()})
	case e.Tag == "disk":
		ways = append(ways, []string{"stays", diskOf(e).Source})
	case e.Tag == "boot":
		ways = append(ways, []string{spelled(e) + " removed"})
	case e.Tag == "guest" || e.Tag == "borrows":
		ways = append(ways, []string{"borrow"})
	}
	return ways
}

func (d difference) madeWays() [][]string {
	e := d.made
	value := ""
	if len(e.Attr) > 0 {
		value = e.Attr[0].Value
	}
	switch d.path {
	case "domain/devices/hostdev", "domain/metadata", "domain/metadata/lendkeep:guest", "domain/metadata/lendkeep:guest/lendkeep:borrows":
		return [][]string{{"borrow"}}
	case "domain/devices/disk":
		return [][]string{{"disk ", diskOf(e).Source, attr(child(e, "target"), "dev"), attr(child(e, "target"), "bus")}}
	case "domain/devices/interface":
		return [][]string{{"network ", whereTo(e)}}
	case "domain/devices/controller":
		return [][]string{{strings.ToUpper(attr(e, "type")), " " + attr(e, "index"), attr(e, "model")}}
	case "domain/devices/hostdev/address":
		return [][]string{{"in one slot of the guest"}}
	case "domain/devices/hostdev/rom":
		return [][]string{{"option ROM", value}}
	case "domain/devices/disk/source", "domain/devices/interface/source", "domain/devices/interface/mac":
		return [][]string{{value, "instead of"}}
	case "domain/devices/interface/model":
		return [][]string{{"model " + value}}
	case "domain/devices/disk/driver":
		return [][]string{{"disk ", "instead of"}}
	case "domain/memoryBacking", "domain/memoryBacking/hugepages":
		return [][]string{{"in huge pages"}}
	case "domain/memoryBacking/hugepages/page":
		bytes, _ := pageBytes(e)
		return [][]string{{"in huge pages of " + size(bytes)}}
	case "domain/cputune", "domain/cputune/vcpupin":
		return [][]string{{"processors on CPUs"}}
	case "domain/cputune/emulatorpin":
		return [][]string{{"its emulator on CPUs", value}}
	case "domain/cputune/iothreadpin":
		return [][]string{{"its IO thread " + value, attr(e, "cpuset")}}
	case "domain/numatune", "domain/numatune/memory":
		return [][]string{{"all its memory from node"}}
	case "domain/os/loader":
		return [][]string{{"firmware " + text(e)}}
	case "domain/devices/hostdev/boot", "domain/devices/disk/boot":
		return [][]string{{"starts from", "boot order " + value}}
	}
	return nil
}

// untold lists the differences that no sentence tells.
func untold(t *tree, changes []string) []string {
	var list []string
	for _, d := range t.differences() {
		told := slices.ContainsFunc(d.ways(), func(words []string) bool {
			return slices.ContainsFunc(changes, func(sentence string) bool {
				return !slices.ContainsFunc(words, func(word string) bool { return !strings.Contains(sentence, word) })
			})
		})
		switch {
		case told:
		case d.gone != nil:
			list = append(list, "gone: "+spelled(d.gone))
		case d.made != nil:
			list = append(list, "new: "+d.path+" "+spelled(d.made))
		default:
			list = append(list, fmt.Sprintf("%s: %q, was %q", d.path, d.now, d.was))
		}
	}
	return list
}

// oddities are what definitions of others hold, each as what stands in a
// fixture and what stands there instead.
var oddities = [][2]string{
	{"<memory unit", "<maxMemory slots='4' unit='GiB'>8</maxMemory>\n  <memory unit"},
	{"<cpu mode=", "<!-- ours --><cpu mode="},
	{"<vcpu placement='static'", "<memoryBacking><!-- of the shelf --><hugepages/></memoryBacking>\n  <vcpu placement='auto'"},
	{"<vcpu placement='static'", "<memoryBacking><hugepages><page size='1' unit='GiB' nodeset='0'/></hugepages></memoryBacking>\n  <vcpu placement='static'"},
	{"<vcpu placement='static'", "<memoryBacking><!-- none yet --></memoryBacking>\n  <vcpu placement='static'"},
	{"<vcpu placement='static'", "<memoryBacking><source type='anonymous'/></memoryBacking>\n  <vcpu placement='static'"},
	{"<os>", "<cputune><vcpupin vcpu='0' cpuset='1'/><vcpusched vcpus='0-3' scheduler='fifo' priority='1'/><!-- tuned --></cputune>\n  <os>"},
	{"<os>", "<cputune><cachetune vcpus='1'><cache id='0' level='3' type='both' size='3' unit='MiB'/></cachetune></cputune>\n  <os>"},
	{"<os>", "<iothreads>2</iothreads><iothreadids><iothread id='7'/></iothreadids><cputune><iothreadpin iothread='7' cpuset='3'/><emulatorpin cpuset='0-3,^1'/></cputune><numatune><!-- far --><memory mode='interleave' nodeset='0-1'/></numatune>\n  <os>"},
	{"<os>", "<numatune><memory mode='strict' placement='auto'/></numatune>\n  <os>"},
	{"<os>", "<numatune><memory mode='strict' nodeset='0'/><memnode cellid='0' mode='strict' nodeset='0'/></numatune>\n  <os>"},
	{"<os>", "<vcpus><vcpu id='0' enabled='yes' hotpluggable='no'/></vcpus>\n  <os>"},
	{"<os>", "<os firmware='efi'>\n    <firmware><feature enabled='yes' name='secure-boot'/><feature enabled='no' name='enrolled-keys'/></firmware>"},
	{"hvm</type>", "hvm</type>\n    <loader readonly='yes' secure='yes' type='pflash'>/fw/secboot.fd</loader>\n    <nvram type='file' template='/fw/vars.fd'><source file='/v/ä.fd'/></nvram>"},
	{"hvm</type>", "hvm</type>\n    <loader readonly='yes' type='pflash'>/fw/code.fd</loader>\n    <nvram type='network'><source protocol='nbd' name='vars'><host name='h'/></source></nvram>"},
	{"hvm</type>", "hvm</type>\n    <loader type='rom'>/fw/bios.bin</loader>"},
	{"hvm</type>", "hvm</type>\n    <loader stateless='yes' type='pflash'>/fw/amd.fd</loader>\n    <smm/>"},
	{"</devices>", "  <memory model='dimm'><target><size unit='MiB'>512</size><node>0</node></target></memory>\n  </devices>"},
	{"</devices>", "  <hostdev mode='subsystem' type='scsi'><source><adapter name='scsi_host0'/><address bus='0' target='0' unit='0'/></source><address type='drive' controller='0' bus='0' target='0' unit='1'/></hostdev>\n  </devices>"},
	{"<target dev='vda' bus='virtio'/>", "<iotune><total_bytes_sec>9</total_bytes_sec></iotune><target dev='vda' bus='virtio'/><serial>0123456789012345678901234567</serial><alias name='ua-vda'/><!-- first -->"},
	{"<target dev='vda' bus='virtio'/>", "<target dev='vda' bus='virtio'/><readonly/><encryption format='luks'><secret type='passphrase' uuid='f52a81b2-424e-490c-823d-6bd4235bc572'/></encryption>"},
	{"type='qcow2'", "type='qcow2' queues='2' iothread='1' packed='on' event_idx='on' ioeventfd='on' iommu='on' ats='on'"},
	{"type='qcow2'", "type='qcow2' discard_no_unref='on' statistics='x'"},
	{"<target dev='hda' bus='ide'/>", "<target dev='hda' bus='ide' rotation_rate='7200'/><wwn>5000c50015ea71ac</wwn><geometry cyls='1' heads='2' secs='3' trans='lba'/>"},
	{"<target dev='sda' bus='scsi'/>", "<target dev='sda' bus='scsi'/><vendor>LARCH</vendor><product>REEL</product><blockio logical_block_size='4096'/>"},
	{"<source bridge='br0'/>", "<source bridge='br0'><!-- lan --></source><virtualport type='openvswitch'/><driver name='vhost' queues='2'/>"},
	{"<source network='default'/>", "<source network='default' portgroup='a'/><mtu size='9000'/><driver name='qemu'/><alias name='ua-net-reel'/>"},
}

// once are elements of which libvirt prints one at most.
var once = []string{"<maxMemory", "<memoryBacking", "<cputune", "<iothreads>", "<numatune", "<vcpus", "<loader", "<nvram"}

// oddly puts an oddity into a definition that has none of its kind yet.
func oddly(xml string, oddity [2]string) string {
	for _, element := range once {
		if strings.Contains(oddity[1], element) && strings.Contains(xml, element) {
			return xml
		}
	}
	return strings.Replace(xml, oddity[0], oddity[1], 1)
}

// odd draws a definition of somebody else's.
func odd(t *rapid.T, xml string) string {
	for i, o := range oddities {
		if rapid.IntRange(0, 3).Draw(t, fmt.Sprint("odd ", i)) == 0 {
			xml = oddly(xml, o)
		}
	}
	return xml
}

// Whatever an edit changes is among its told changes.
func TestEditTellsAllThatItChanges(t *testing.T) {
	texts := texts(t)
	rapid.Check(t, func(t *rapid.T) {
		name, before := someDefinition(t, texts)
		w := someDevices(t, someWanted(t, name))
		tree, changes, err := apply(odd(t, before), w)
		if refused(t, err) {
			return
		}
		require.Empty(t, untold(tree, changes), "of these: %q", changes)
		again, more, err := Edit(tree.String(), w)
		require.NoError(t, err)
		require.Empty(t, more)
		require.Equal(t, tree.String(), again)
	})
}

// Each oddity alone, under each kind of wish alone: the cases that the dice
// may leave out.
func TestEditTellsWhatBecomesOfEachOddity(t *testing.T) {
	on, off := true, false
	shared := []Disk{{Source: "/srv/other.raw", Kind: "file", Format: "raw"}, {Source: "/srv/o.qcow2", Kind: "file", Format: "qcow2", Bus: "scsi"}}
	wishes := []Wanted{{Firmware: "bios"}, {Firmware: "uefi"}, {Firmware: "/fw/other.fd"}, {CPUs: 1}, {CPUs: 8}, {CPUs: 2, Near: &Near{Node: 1, CPUs: []int{5, 7}, Rest: "4,6"}},
		{MemoryBytes: 4 << 30}, {MemoryBytes: 64 << 30}, {HugePages: &on}, {HugePages: &off}, {MemoryBytes: 4 << 30, HugePages: &on, PageBytes: 2 << 20},
		{Networks: []Network{{Name: "reel", Bridge: "br7", Model: "e1000e", MAC: "52:54:00:6d:90:01"}}},
		{Networks: []Network{{Name: "reel", Network: "far", Model: "e1000e", MAC: "52:54:00:6d:90:02"}}},
		{Disks: []Disk{{Name: "new", Source: "/srv/new.raw", Kind: "file", Format: "raw", Bus: "scsi"}}}}
	for _, bus := range []string{"virtio", "scsi", "sata"} {
		wishes = append(wishes, Wanted{Disks: []Disk{
			{Name: "a", Source: `/srv/images/grading 'A' & "B".qcow2`, Kind: "file", Bus: bus},
			{Name: "b", Source: "/srv/shelf/catalogue.qcow2", Kind: "file", Format: "raw", Bus: bus},
			{Name: "c", Source: "/dev/vg0/prints", Kind: "block", Format: "raw", Bus: bus}}})
	}
	for _, name := range []string{"vda", "hda", "sda"} {
		for _, d := range shared {
			d.Name = name
			wishes = append(wishes, Wanted{Disks: []Disk{d}})
		}
	}
	allowed := 0
	for i, o := range oddities {
		for guest, xml := range texts(t) {
			for n, w := range wishes {
				w.Name = guest
				tree, changes, err := apply(oddly(xml, o), w)
				if err != nil && strings.Contains(err.Error(), "the format of") || refused(t, err) {
					continue
				}
				allowed++
				require.Empty(t, untold(tree, changes), "oddity %d, wish %d of %s, of these: %q", i, n, guest, changes)
			}
		}
	}
	require.Greater(t, allowed, 500)
}
