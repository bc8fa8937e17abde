package assess_test

import (
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
	"lendkeep/spec"
	"lendkeep/spec/pci"
)

// statements gives what the remedies of a finding say to state, by the address
// of the function that each is for.
func statements(t *testing.T, f assess.Finding) map[string]spec.Controller {
	found := map[string]spec.Controller{}
	for _, remedy := range f.Remedies {
		m := regexp.MustCompile(`^for .* at ([0-9a-f:.]{12}) state (nvme|pci) with (.*?)(, as a controller .*)?$`).FindStringSubmatch(remedy)
		if m == nil {
			continue
		}
		said := map[string]string{}
		for _, pair := range regexp.MustCompile(`(\w+) = ("(?:[^"\\]|\\.)*")`).FindAllStringSubmatch(m[3], -1) {
			value, err := strconv.Unquote(pair[2])
			require.NoError(t, err)
			said[pair[1]] = value
		}
		c := spec.Controller{Return: spec.Return{OnFailure: "hold"}}
		if m[2] == "nvme" {
			c.NVMe = &spec.NVMeIdentity{Serial: said["serial"], Model: said["model"]}
		} else {
			vendor, err := strconv.ParseUint(said["vendor"], 16, 16)
			require.NoError(t, err)
			device, err := strconv.ParseUint(said["device"], 16, 16)
			require.NoError(t, err)
			c.PCI = &spec.PCIIdentity{Vendor: pci.ID(vendor), Device: pci.ID(device), Slot: said["slot"], Subsystem: said["subsystem"], Serial: said["device_serial"]}
			if number := regexp.MustCompile(`function = ([0-7])`).FindStringSubmatch(m[3]); number != nil {
				n := int(number[1][0] - '0')
				c.PCI.Function = &n
			}
		}
		found[m[1]] = c
	}
	return found
}

func findings(b *bench, check string) (list []assess.Finding) {
	for _, f := range assess.Assess(b.assess()) {
		if f.Check == check {
			list = append(list, f)
		}
	}
	return list
}

func (b *bench) assess() *assess.Case {
	return assess.NewCase(b.layout, facts.NewIndex(&b.Survey), nil)
}

// Whoever states what an identity finding says, of whichever function, gets just
// that function, and the finding is gone.
func TestIdentityRemediesWork(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		states int // how many functions can be stated
		tells  string
	}{
		"a twin of another model": {func(b *bench) { b.Function(b.NVMe("RL-4410-0073")).NVMe.Model = "Other" }, 2, "2 controllers say"},
		"a twin of the same model, in slots": {func(b *bench) {
			b.Function(b.NVMe("RL-4410-0073")).Slot = "7"
			b.Function(b.reel).Slot = "4"
		}, 2, "2 controllers say"},
		"a twin of which nothing differs": {func(b *bench) { b.NVMe("RL-4410-0073") }, 0, "Nothing that a layout can state tells all of them apart"},
		"lower case":                      {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "rl-4410-0073" }, 1, "Did you mean QEMU NVMe Ctrl RL-4410-0073 at"},
		"white space":                     {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL 4410-0073 " }, 1, "Did you mean"},
		"a space more":                    {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = " RL-4410-0073" }, 1, "Did you mean"},
		"one letter off":                  {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL-4410-0078" }, 1, "Did you mean"},
		"one letter more":                 {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL-44110-0073" }, 1, "Did you mean"},
		"two that changed places":         {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "RL-4410-0037" }, 1, "Did you mean"},
		"quite another":                   {func(b *bench) { b.layout.Controllers[0].NVMe.Serial = "XX-1" }, 0, "it has RL-4410-0073"},
		"a wrong model": {func(b *bench) { b.layout.Controllers[0].NVMe.Model = "Other" }, 1,
			`serial RL-4410-0073 is of QEMU NVMe Ctrl RL-4410-0073 at 0000:01:00.0 here, not of model "Other"`},
		"one of a kind, with device serial numbers": {func(b *bench) {
			b.Function(b.NVMe("RL-4410-0088")).DeviceSerial = "00-00-00-00-00-00-00-02"
			b.Function(b.reel).DeviceSerial = "00-00-00-00-00-00-00-01"
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x1b36, Device: 0x10}
			for i := range b.Survey.Functions {
				b.Survey.Functions[i].NVMe = nil
			}
		}, 2, "device_serial"},
		"all of one device serial number": {func(b *bench) {
			b.Function(b.NVMe("RL-4410-0088")).DeviceSerial = "00-00-00-00-00-00-00-01"
			b.Function(b.reel).DeviceSerial = "00-00-00-00-00-00-00-01"
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x1b36, Device: 0x10}
			for i := range b.Survey.Functions {
				b.Survey.Functions[i].NVMe = nil
			}
		}, 0, "Nothing that a layout can state tells all of them apart"},
		"a wrong slot": {func(b *bench) {
			b.Function(b.reel).Slot = "4"
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x1b36, Device: 0x10, Slot: "5"}
		}, 1, "Did you mean"},
		"cards of two makers with one chip": {func(b *bench) {
			for i := range 2 {
				at := b.Card(b.reel, "e1000e")
				f := &b.Survey.Functions[len(b.Survey.Functions)-1]
				f.Address, f.Group = facts.Address{Bus: at.Bus + 0x40 + uint8(i)}, nil
				f.SubsystemVendor, f.SubsystemDevice = 0x1043, pci.ID(i+1)
			}
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3, Subsystem: "1043:0009"}
		}, 2, "of the subsystem 1043:0009"},
		"two ports of one card, of which there are two": {func(b *bench) {
			for i, slot := range []string{"4", "5"} {
				for port := range 2 {
					at := b.Card(b.reel, "e1000e")
					f := &b.Survey.Functions[len(b.Survey.Functions)-1]
					f.Address, f.Slot, f.Group = facts.Address{Bus: at.Bus + 0x40 + uint8(i), Function: uint8(port)}, slot, nil
				}
			}
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3, Slot: "5"}
		}, 2, "2 functions of the host are 8086:10d3"},
		"two ports of one card with one device serial number": {func(b *bench) {
			for port := range 2 {
				at := b.Card(b.reel, "e1000e")
				f := &b.Survey.Functions[len(b.Survey.Functions)-1]
				f.Address, f.DeviceSerial, f.Group = facts.Address{Bus: at.Bus + 0x40, Function: uint8(port)}, "00-00-00-00-00-00-00-01", nil
			}
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x8086, Device: 0x10d3}
		}, 2, "2 functions of the host are 8086:10d3"},
		"one of a kind, without slots": {func(b *bench) {
			b.NVMe("RL-4410-0088")
			b.layout.Controllers[0].NVMe, b.layout.Controllers[0].PCI = nil, &spec.PCIIdentity{Vendor: 0x1b36, Device: 0x10}
		}, 2, "2 functions of the host are 1b36:0010"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.change(b)
			list := findings(b, "controller-identity")
			require.Len(t, list, 1)
			assert.Contains(t, list[0].Detail+" "+strings.Join(list[0].Remedies, " "), c.tells)
			stated := statements(t, list[0])
			require.Len(t, stated, c.states, "%v", list[0].Remedies)
			for at, controller := range stated {
				controller.Name, controller.At = "reel", b.layout.Controllers[0].At
				b.layout.Controllers[0] = controller
				assert.Empty(t, findings(b, "controller-identity"))
				assert.Equal(t, at, b.assess().Found("reel").Function.Address.String())
			}
		})
	}
}

// Stating the members of a group as the finding says, borrowed along or not,
// lets it be lent. What a layout cannot name is not said to be named.
func TestGroupRemediesWork(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*bench)
		states int
	}{
		"one card": {func(b *bench) { b.Card(b.reel, "e1000e") }, 1},
		"two alike, in slots": {func(b *bench) {
			b.Function(b.Card(b.reel, "e1000e")).Slot = "3"
			second := b.Card(b.reel, "e1000e")
			b.Survey.Functions[len(b.Survey.Functions)-1].Address.Slot = 2
			second.Slot = 2
			b.Function(second).Slot = "5"
		}, 2},
		"two alike, and no slots": {func(b *bench) {
			b.Card(b.reel, "e1000e")
			b.Card(b.reel, "e1000e")
			b.Survey.Functions[len(b.Survey.Functions)-1].Address.Slot = 2
		}, 0},
		"one alike elsewhere": {func(b *bench) {
			b.Card(b.reel, "e1000e")
			alone := b.Card(b.reel, "e1000e")
			f := b.Function(alone)
			f = &b.Survey.Functions[len(b.Survey.Functions)-1]
			f.Address.Slot, f.Group = 2, nil
		}, 0},
		"another drive": {func(b *bench) { b.Function(b.NVMe("RL-4410-0088")).Group = b.Function(b.reel).Group }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			for _, borrowed := range []bool{false, true} {
				b := newBench()
				c.change(b)
				list := findings(b, "group")
				require.Len(t, list, 1)
				stated := statements(t, list[0])
				require.Len(t, stated, c.states, "%v", list[0].Remedies)
				assert.NotEmpty(t, list[0].Remedies)
				for at, controller := range stated {
					controller.Name, controller.At = "with"+strings.NewReplacer(":", "", ".", "").Replace(at), b.layout.Controllers[0].At
					b.layout.Controllers = append(b.layout.Controllers, controller)
					if borrowed {
						b.layout.Guests[0].Borrows = append(b.layout.Guests[0].Borrows, spec.Ref{Name: controller.Name})
					}
				}
				if c.states > 0 {
					assert.Empty(t, findings(b, "group"))
					assert.Empty(t, findings(b, "controller-identity"))
				}
			}
		})
	}
}

// A twin that only its model tells apart is known by it wherever it is.
func TestTwinsAreToldApartByModel(t *testing.T) {
	b := newBench()
	twin := b.NVMe("RL-4410-0073")
	b.Function(twin).NVMe.Model = "Other"
	r := b.Identity("reel", b.reel)
	r.Model = "QEMU NVMe Ctrl"
	where, f, _ := facts.NewIndex(&b.Survey).Where(r)
	assert.Equal(t, facts.Home, where)
	assert.Equal(t, b.reel, f.Address)
	b.Function(b.reel).NVMe, b.Function(b.reel).Driver = nil, "vfio-pci"
	where, f, _ = facts.NewIndex(&b.Survey).Where(r)
	assert.Equal(t, facts.Aside, where, "the twin that stayed is not the one that is away")
	assert.Equal(t, b.reel, f.Address)
}

func TestPartitionNamesOneLetterOffAreAskedAbout(t *testing.T) {
	for stated, asked := range map[string]bool{
		"shelf": false, "shelv": true, "Shelf": true, "shel": true, "shelff": true, "shlef": true, "sh elf": true,
		"stars": true, "scans": false, "shelf2": false,
	} {
		b := newBench()
		b.Survey.Contents = nil
		b.Look("nvme0n1")
		names := map[string]bool{}
		for _, e := range b.Survey.Contents[0].Table.Entries {
			names[e.Name] = true
		}
		require.True(t, names["shelf"])
		b.layout.Controllers[0] = invented.Controller("reel", "RL-4410-0073", stated, "/srv/shelf")
		b.layout.Controllers[0].Drive.Partitions[0].Rest = false
		told := false
		for _, f := range findings(b, "partition") {
			told = told || strings.HasPrefix(f.Summary, "did you mean partition ")
			if told {
				assert.Equal(t, assess.Stop, f.Severity)
			}
		}
		assert.Equal(t, asked, told, stated)
	}
}
