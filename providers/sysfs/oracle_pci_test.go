package sysfs

import (
	"encoding/xml"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/jaypipes/pcidb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// moments are the three captures, each with what other programs said of it.
var moments = []string{"before", "running", "after"}

func surveyOf(t testing.TB, fsys fs.FS, named ...string) facts.Survey {
	t.Helper()
	tree, err := OpenFS(fsys)
	require.NoError(t, err)
	survey, err := tree.Survey(t.Context(), named)
	require.NoError(t, err)
	return survey
}

func answer(t testing.TB, moment, file string) string {
	t.Helper()
	content, err := os.ReadFile(filepath.Join(hostsDir, "captured-"+moment+".cmd", file))
	require.NoError(t, err)
	return string(content)
}

func eachMoment(t *testing.T, check func(t *testing.T, moment string, survey facts.Survey)) {
	for _, moment := range moments {
		t.Run(moment, func(t *testing.T) {
			survey := surveyOf(t, openHost(t, "captured-"+moment+".txtar"))
			require.Empty(t, survey.Gaps)
			check(t, moment, survey)
		})
	}
}

// lspciForm takes apart what lspci(8) of pciutils 3.9 printed with -vvv -nn -D.
var lspciForm = struct{ head, region, rom, msix, table, pba, link, payload, serial, express, acs *regexp.Regexp }{
	head:   regexp.MustCompile(`^(\S+) .* \[([0-9a-f]{4})\]: (.*) \[([0-9a-f]{4}):([0-9a-f]{4})\](?: \(rev ([0-9a-f]{2})\))?(?: \(prog-if ([0-9a-f]{2}) .*\))?`),
	region: regexp.MustCompile(`Region (\d): (I/O ports|Memory) at ([0-9a-f]+) (?:\((32|64)-bit, (non-)?prefetchable\))?.*\[size=(\d+)([KMG]?)\]`),
	rom:    regexp.MustCompile(`Expansion ROM at [0-9a-f]+ .*\[size=(\d+)([KMG]?)\]`),
	msix:   regexp.MustCompile(`MSI-X: Enable\S Count=(\d+)`),
	table:  regexp.MustCompile(`Vector table: BAR=(\d) offset=([0-9a-f]+)`),
	pba:    regexp.MustCompile(`PBA: BAR=(\d) offset=([0-9a-f]+)`),
	link:   regexp.MustCompile(`Lnk(Cap|Sta):.*Speed ([0-9.]+)GT/s.*Width x(\d+)`),

	payload: regexp.MustCompile(`MaxPayload (\d+) bytes, MaxReadReq`), // of DevCtl
	serial:  regexp.MustCompile(`Capabilities: \[\w+ v1\] Device Serial Number (\S+)`),
	express: regexp.MustCompile(`Express \(v\d\) (.*?)(?: \(Slot[+-]\))?, MSI`),
	acs:     regexp.MustCompile(`ACS(Cap|Ctl):\t(.*)`),
}

// fromLspci reads one section of lspci's text into the facts that it tells.
func fromLspci(t *testing.T, section string) facts.Function {
	t.Helper()
	lines := strings.Split(section, "\n")
	head := lspciForm.head.FindStringSubmatch(lines[0])
	require.NotNil(t, head, lines[0])
	at, err := facts.ParseAddress(head[1])
	require.NoError(t, err)
	number := func(text string, base int) uint64 {
		n, err := strconv.ParseUint(text, base, 64)
		require.NoError(t, err, section)
		return n
	}
	f := facts.Function{
		Address: at, DeviceName: head[3], // the vendor's name in front of it
		Vendor: pci.ID(number(head[4], 16)), Device: pci.ID(number(head[5], 16)),
		Class: uint32(number(head[2], 16)) << 8,
	}
	if head[6] != "" {
		f.Revision = uint8(number(head[6], 16))
	}
	if head[7] != "" {
		f.Class |= uint32(number(head[7], 16))
	}
	units := map[string]uint64{"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30}
	for _, line := range lines {
		if m := lspciForm.region.FindStringSubmatch(line); m != nil {
			f.BARs = append(f.BARs, facts.BAR{Index: int(number(m[1], 10)), Start: number(m[3], 16),
				SizeBytes: number(m[6], 10) * units[m[7]], IO: m[2] == "I/O ports", Wide: m[4] == "64", Prefetch: m[4] != "" && m[5] == ""})
		}
		if m := lspciForm.rom.FindStringSubmatch(line); m != nil {
			f.OptionROM = &facts.OptionROM{SizeBytes: number(m[1], 10) * units[m[2]]}
		}
		if m := lspciForm.msix.FindStringSubmatch(line); m != nil {
			f.MSIX = &facts.MSIX{Vectors: int(number(m[1], 10))}
		}
		if m := lspciForm.payload.FindStringSubmatch(line); m != nil {
			f.PayloadBytes = int(number(m[1], 10))
		}
		if m := lspciForm.serial.FindStringSubmatch(line); m != nil {
			f.DeviceSerial = m[1]
		}
		if m := lspciForm.express.FindStringSubmatch(line); m != nil {
			f.Express = facts.Express(m[1])
		}
		if m := lspciForm.acs.FindStringSubmatch(line); m != nil {
			var bits uint16
			for n, word := range strings.Fields(m[2]) { // from the lowest bit on
				if strings.HasSuffix(word, "+") {
					bits |= 1 << n
				}
			}
			if m[1] == "Cap" {
				f.ACS = &facts.ACS{Can: bits}
			} else {
				f.ACS.On = bits
			}
		}
		if m := lspciForm.table.FindStringSubmatch(line); m != nil {
			f.MSIX.TableBAR, f.MSIX.TableOffset = int(number(m[1], 10)), uint32(number(m[2], 16))
		}
		if m := lspciForm.pba.FindStringSubmatch(line); m != nil {
			f.MSIX.PBABAR, f.MSIX.PBAOffset = int(number(m[1], 10)), uint32(number(m[2], 16))
		}
		if m := lspciForm.link.FindStringSubmatch(line); m != nil {
			speed, err := linkSpeed(m[2] + " GT/s")
			require.NoError(t, err)
			if f.Link == nil {
				f.Link = &facts.Link{}
			}
			if m[1] == "Cap" {
				f.Link.MaxSpeedMTps, f.Link.MaxWidth = speed, int(number(m[3], 10))
			} else {
				f.Link.SpeedMTps, f.Link.Width = speed, int(number(m[3], 10))
			}
		}
		if driver, found := strings.CutPrefix(line, "\tKernel driver in use: "); found {
			f.Driver = driver
		}
		if slot, found := strings.CutPrefix(line, "\tPhysical Slot: "); found {
			f.Slot = slot
		}
		if group, found := strings.CutPrefix(line, "\tIOMMU group: "); found {
			n := int(number(group, 10))
			f.Group = &n
		}
	}
	return f
}

func TestFunctionsAgreeWithLspci(t *testing.T) {
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		sections := strings.Split(strings.TrimSpace(answer(t, moment, "lspci-vvv.txt")), "\n\n")
		require.Len(t, survey.Functions, len(sections))
		for i, section := range sections {
			want, got := fromLspci(t, section), survey.Functions[i]
			require.Empty(t, got.Gaps)
			assert.Equal(t, want.DeviceName, got.VendorName+" "+got.DeviceName)
			// What lspci says in another file or not at all.
			want.SubsystemVendor, want.SubsystemDevice = got.SubsystemVendor, got.SubsystemDevice
			want.VendorName, want.DeviceName = got.VendorName, got.DeviceName
			want.HeaderType, want.MultiFunction, want.Upstream = got.HeaderType, got.MultiFunction, got.Upstream
			want.DriverOverride, want.NUMANode, want.LocalCPUs = got.DriverOverride, got.NUMANode, got.LocalCPUs
			want.ResetMethods, want.PowerState, want.D3cold = got.ResetMethods, got.PowerState, got.D3cold
			want.NVMe, want.Interfaces = got.NVMe, got.Interfaces
			assert.Equal(t, want, got, section)
			// A section shows a subsystem for endpoints, a bus for bridges.
			assert.Equal(t, strings.Contains(section, "\tBus: primary="), got.HeaderType == 1, got.Address)
		}
	})
}

// TestConfigAgreesWithLspci holds the archives' config space against what
// lspci -xxxx printed of it, byte by byte.
func TestConfigAgreesWithLspci(t *testing.T) {
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		archive := openHost(t, "captured-"+moment+".txtar")
		sections := strings.Split(strings.TrimSpace(answer(t, moment, "lspci-xxxx.txt")), "\n\n")
		require.Len(t, sections, len(survey.Functions))
		for i, f := range survey.Functions {
			config, err := archive.ReadFile(devicesDir + "/" + f.Address.String() + "/config")
			require.NoError(t, err)
			var text strings.Builder
			for at := 0; at < len(config); at += 16 {
				fmt.Fprintf(&text, "\n%02x: % x", at, config[at:at+16])
			}
			_, want, _ := strings.Cut(sections[i], "\n")
			assert.Equal(t, want, text.String()[1:], f.Address)
			assert.Equal(t, config[0x0e]&0x80 != 0, f.MultiFunction)
		}
	})
}

// nodeDevice is what libvirt's node device XML says of a function.
type nodeDevice struct {
	Path   string `xml:"path"`
	Parent string `xml:"parent"`
	Driver string `xml:"driver>name"`
	PCI    struct {
		Class   string `xml:"class"`
		Product struct {
			ID   string `xml:"id,attr"`
			Name string `xml:",chardata"`
		} `xml:"product"`
		Vendor struct {
			Name string `xml:",chardata"`
		} `xml:"vendor"`
		Group struct {
			Number  int `xml:"number,attr"`
			Members []struct {
				Segment  string `xml:"domain,attr"`
				Bus      string `xml:"bus,attr"`
				Slot     string `xml:"slot,attr"`
				Function string `xml:"function,attr"`
			} `xml:"address"`
		} `xml:"iommuGroup"`
		Links []struct {
			Validity string  `xml:"validity,attr"`
			Speed    float64 `xml:"speed,attr"`
			Width    int     `xml:"width,attr"`
		} `xml:"pci-express>link"`
	} `xml:"capability"`
}

func TestFunctionsAgreeWithLibvirt(t *testing.T) {
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		index := facts.NewIndex(&survey)
		for _, f := range survey.Functions {
			name := "pci_" + strings.NewReplacer(":", "_", ".", "_").Replace(f.Address.String())
			var want nodeDevice
			require.NoError(t, xml.Unmarshal([]byte(answer(t, moment, name+".xml")), &want))
			assert.Equal(t, want.Driver, f.Driver, name)
			assert.Equal(t, want.PCI.Class, fmt.Sprintf("0x%06x", f.Class), name)
			assert.Equal(t, want.PCI.Product.ID, "0x"+f.Device.String(), name)
			assert.Equal(t, want.PCI.Product.Name, f.DeviceName, name)
			assert.Equal(t, want.PCI.Vendor.Name, f.VendorName, name)
			if f.Upstream == nil {
				assert.Equal(t, "computer", want.Parent, name)
			} else {
				assert.Equal(t, want.Parent, "pci_"+strings.NewReplacer(":", "_", ".", "_").Replace(f.Upstream.String()))
			}
			require.NotNil(t, f.Group)
			assert.Equal(t, want.PCI.Group.Number, *f.Group, name)
			var members, seen []string
			for _, m := range want.PCI.Group.Members {
				members = append(members, m.Segment[2:]+":"+m.Bus[2:]+":"+m.Slot[2:]+"."+m.Function[2:])
			}
			for _, member := range index.Group(*f.Group) {
				seen = append(seen, member.Address.String())
			}
			assert.ElementsMatch(t, members, seen, name)
			for _, link := range want.PCI.Links {
				require.NotNil(t, f.Link, name)
				speed, width := f.Link.SpeedMTps, f.Link.Width
				if link.Validity == "cap" {
					speed, width = f.Link.MaxSpeedMTps, f.Link.MaxWidth
				}
				if link.Speed > 0 { // libvirt 9.0 leaves speeds out that it has no word for
					assert.Equal(t, int(link.Speed*1000), speed, name)
				}
				assert.Equal(t, link.Width, width, name)
			}
		}
	})
}

// TestNamesAgreeWithPCIDB looks up every device of a whole PCI id database and
// holds the names against another reader of it.
func TestNamesAgreeWithPCIDB(t *testing.T) {
	file := "/usr/share/misc/pci.ids"
	if _, err := os.Stat(file); err != nil {
		file = hostFile("pci.ids")
	}
	database, err := os.ReadFile(file)
	require.NoError(t, err)
	want, err := pcidb.New(pcidb.WithPath(file))
	require.NoError(t, err)
	var functions []facts.Function
	for id := range want.Products {
		vendor, err1 := strconv.ParseUint(id[:4], 16, 16)
		device, err2 := strconv.ParseUint(id[4:], 16, 16)
		require.NoError(t, err1)
		require.NoError(t, err2)
		functions = append(functions, facts.Function{Vendor: pci.ID(vendor), Device: pci.ID(device)})
	}
	require.NotEmpty(t, functions)
	excerpt := setNames(database, functions)
	for _, f := range functions {
		require.Equal(t, want.Vendors[f.Vendor.String()].Name, f.VendorName)
		require.Equal(t, want.Products[f.Vendor.String()+f.Device.String()].Name, f.DeviceName)
	}
	again := []facts.Function{functions[0]}
	again[0].VendorName, again[0].DeviceName = "", ""
	setNames(excerpt, again)
	assert.Equal(t, functions[0], again[0], "the excerpt holds what was looked up")
}
