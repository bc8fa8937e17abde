package twin

// fate says what becomes of a fact in the machine. The zero value is of a fact that
// nobody has decided on; a test finds it.
type fate struct {
	kind  fateKind
	twin  string // what the machine has instead
	hides string // what can therefore go otherwise on the host
}

type fateKind int

const (
	undecided fateKind = iota
	copied             // it is in the Machine, or told one by one where it cannot be
	made               // it is what a survey says of itself, or follows from others of the machine
	within             // a structure: each of its fields has a fate
	listed             // the machine does not have it
)

func lost(twin, hides string) fate { return fate{listed, twin, hides} }

// fates holds every fact of a survey by the type and the field that it is in. What
// lies below a field that is listed needs none.
var fates = map[string]fate{
	"Survey.Format": {kind: made}, "Survey.TakenAt": {kind: made},
	"Survey.Machine": {kind: within}, "Survey.Functions": {kind: within}, "Survey.Blocks": {kind: within},
	"Survey.Mounts": {kind: within}, "Survey.Swaps": {kind: within}, "Survey.Libvirt": {kind: within},
	"Survey.Topology":    {kind: within},
	"Survey.Sessions":    lost("nobody logged in", "that somebody reaches the host through what is lent"),
	"Survey.Paths":       lost("no files but the twin's own", "guests' images: their formats, their bases, where links lead"),
	"Survey.Claims":      lost("no claims at boot", "that VFIO takes every function of a kind when the host starts"),
	"Survey.Guard":       lost("no guard of lendkeep's, no other hooks", "what an installed guard, or another hook, does at a start"),
	"Survey.Watch":       lost("no watch, no systemd", "how the watch is installed, and started again"),
	"Survey.Firmware":    lost("Debian's OVMF", "what other firmware starts from"),
	"Survey.Descriptors": lost("Debian's descriptors", "which firmware libvirt chooses by itself"),
	"Survey.Stores":      lost("new variable stores", "boot entries that are there, and keys"),
	"Survey.ROMs":        lost("no option ROMs", "what a placed ROM does"),
	"Survey.ROMGap":      lost("a folder that can be read", "that it cannot"),
	"Survey.Shims":       lost("no shim disks", "what a placed shim disk does"),
	"Survey.ShimGap":     lost("a folder that can be read", "that it cannot"),
	"Survey.Contents":    lost("new filesystems with nothing in them", "installed systems, images, loaders, how a filesystem was left"),
	"Survey.Asked":       lost("no guest that can be asked", "what guests say of their own systems"),
	"Survey.Rooms":       lost("the room that the twin's drives have", "whether an image fits"),
	"Survey.Confirmed":   lost("nothing that a person has done", "what a step by hand did"),
	"Survey.Gaps":        lost("areas that can be read", "what is there, unseen"),

	"Machine.ID":          lost("one of its own", "that an order is for this host alone"),
	"Machine.Name":        {kind: copied},
	"Machine.Kernel":      lost("Debian's kernel", "how another kernel groups, resets and rebinds"),
	"Machine.CommandLine": lost("words of its own", "what those of the host make the kernel do"),
	"Machine.MemoryBytes": {kind: copied},
	"Machine.CPUs":        {kind: copied},
	"Machine.CPUMaker":    lost("QEMU's own processor, or with KVM that of the machine that runs it", "what needs the host's maker"),
	"Machine.AddressBits": lost("the width of QEMU's processor", "regions for which it has no room"),
	"Machine.IOMMUs":      {kind: copied},
	"Machine.ZFS":         lost("no ZFS", "pools, which hold drives"),
	"Machine.HugePages":   lost("no reserve of huge pages", "whether a guest finds those that it asks for"),

	"Topology.Nodes":    {kind: within},
	"Topology.Cores":    lost("processors of one thread", "which threads share a core"),
	"Topology.Online":   {kind: made},
	"Topology.Isolated": lost("no isolated processors", "what a guest on those gains"),
	"Topology.Tickless": lost("no tickless processors", "what a guest on those gains"),
	"Topology.PageSize": {kind: made},
	"Topology.Gaps":     lost("nodes that can be read", "what is there, unseen"),
	"Node.Number":       {kind: copied},
	"Node.CPUs":         {kind: copied},
	"Node.MemoryBytes":  {kind: copied},
	"Node.FreeBytes":    {kind: made},
	"Node.Distances":    lost("the same distance between all", "how far a drive is from a guest"),
	"Node.HugePages":    lost("no reserve of huge pages", "whether a guest finds those that it asks for"),

	"Function.Address":         {kind: copied},
	"Function.Vendor":          lost("the numbers of QEMU's devices", "how a layout finds a function, and what only that make does"),
	"Function.Device":          lost("the numbers of QEMU's devices", "how a layout finds a function, and what only that make does"),
	"Function.SubsystemVendor": lost("the numbers of QEMU's devices", "how a layout finds a function, and what only that make does"),
	"Function.SubsystemDevice": lost("the numbers of QEMU's devices", "how a layout finds a function, and what only that make does"),
	"Function.VendorName":      {kind: made},
	"Function.DeviceName":      {kind: made},
	"Function.Class":           {kind: copied},
	"Function.Revision":        lost("the revisions of QEMU's devices", "what only that revision does"),
	"Function.HeaderType":      {kind: copied},
	"Function.MultiFunction":   {kind: copied},
	"Function.Upstream":        {kind: copied},
	"Function.Driver":          {kind: copied},
	"Function.DriverOverride":  lost("an override only where VFIO or pci-stub has a function", "which driver takes it when it comes back"),
	"Function.Group":           {kind: copied},
	"Function.NUMANode":        {kind: copied},
	"Function.LocalCPUs":       lost("processors of its own", "which are near a drive"),
	"Function.Link":            lost("2.5 GT/s on one lane", "a card below its own speed, and all that it costs"),
	"Function.PayloadBytes":    lost("packets of QEMU's size", "a payload that a guest cannot take"),
	"Function.ResetMethods":    lost("resets that always work", "one that hangs, is not there, or hits others too"),
	"Function.BARs":            lost("the regions of QEMU's devices", "regions that a guest has no room for"),
	"Function.MSIX":            lost("the tables of QEMU's devices", "quirks of where a table lies"),
	"Function.OptionROM":       lost("the ROMs of QEMU's devices", "a guest that needs the card's own ROM"),
	"Function.BootVGA":         lost("no display that its firmware used", "the host's console, which goes with it"),
	"Function.Slot":            lost("slots with numbers of its own", "which slot a person finds it in"),
	"Function.Parent":          {kind: copied},
	"Function.Virtual":         lost("no virtual functions", "what lending the one that made them does"),
	"Function.PowerState":      lost("all of it awake", "a function that does not wake up"),
	"Function.D3cold":          lost("as QEMU's devices allow", "a function that loses its power"),
	"Function.NVMe":            {kind: within},
	"Function.Interfaces":      lost("a network card without cable, address or name of the host's", "that the host is reached through it"),
	"Function.Asked":           {kind: made},
	"Function.Attached":        lost("nothing else below it", "who uses it there"),
	"Function.Gaps":            lost("functions that can be read", "what is there, unseen"),

	"NVMe.Name":             {kind: made},
	"NVMe.Serial":           {kind: copied},
	"NVMe.Model":            lost("QEMU NVMe Ctrl", "how a layout that states a model finds it"),
	"NVMe.Firmware":         lost("QEMU's version", "what only that firmware does"),
	"NVMe.NQN":              lost("names of QEMU's", "what finds it by that"),
	"NVMe.State":            lost("controllers that live", "one that does not answer"),
	"NVMe.Namespaces":       {kind: within},
	"Namespace.ID":          {kind: copied},
	"Namespace.Block":       {kind: made},
	"Namespace.SizeBytes":   {kind: copied},
	"Namespace.SectorBytes": {kind: copied},
	"Namespace.EUI64":       lost("no identifiers: the kernel does not believe those of QEMU's drives", "what finds it by that"),
	"Namespace.NGUID":       lost("no identifiers: the kernel does not believe those of QEMU's drives", "what finds it by that"),
	"Namespace.UUID":        lost("no identifiers: the kernel does not believe those of QEMU's drives", "what finds it by that"),
	"Namespace.WWID":        lost("no identifiers: the kernel does not believe those of QEMU's drives", "what finds it by that"),

	"Block.Name":           {kind: made},
	"Block.Devno":          {kind: made},
	"Block.Controller":     {kind: copied},
	"Block.Whole":          {kind: copied},
	"Block.SizeBytes":      {kind: copied},
	"Block.SectorBytes":    {kind: copied},
	"Block.ReadOnly":       {kind: copied},
	"Block.PartitionTable": {kind: copied},
	"Block.Partition":      {kind: copied},
	"Block.Signature":      {kind: copied},
	"Block.Holders":        {kind: copied},
	"Block.Mapper":         {kind: copied},
	"Block.Array":          {kind: copied},
	"Block.BackingFile":    {kind: copied},
	"Block.Links":          lost("names by what QEMU's drives say of themselves", "what finds it by a name of udev's"),
	"Block.Exclusive":      {kind: made},
	"Block.Openers":        lost("no process that has it open", "who has it open"),
	"Block.Gaps":           lost("devices that can be read", "what is there, unseen"),

	"Mount.Devno":        {kind: copied},
	"Mount.Devices":      {kind: copied},
	"Mount.Root":         {kind: copied},
	"Mount.Path":         {kind: copied},
	"Mount.Kind":         {kind: copied},
	"Mount.Source":       {kind: made},
	"Mount.Options":      {kind: copied},
	"Mount.SuperOptions": lost("those that the kernel chooses", "what an option of a filesystem does"),
	"Mount.Elsewhere":    {kind: copied},
	"Swap.Path":          {kind: copied},
	"Swap.File":          {kind: copied},

	"Virtualization.URI":       {kind: made},
	"Virtualization.Version":   lost("Debian's libvirt", "what another libvirt does"),
	"Virtualization.Guests":    lost("no guests", "what they hold, use and do"),
	"Virtualization.Pools":     lost("no pools", "drives that a pool holds, volumes that it names"),
	"Virtualization.Networks":  lost("no networks", "functions that a network gives to guests"),
	"Virtualization.IOMMU":     {kind: copied},
	"Virtualization.Emulator":  lost("Debian's QEMU", "what another QEMU does"),
	"Virtualization.GuestType": lost("qemu: no KVM inside", "what only KVM does"),
	"Virtualization.Cells":     lost("the nodes of the machine, as Debian's libvirt sees them", "that libvirt and the kernel see other CPUs on a node"),
	"Virtualization.Offers":    lost("what Debian's QEMU offers", "what new guests get"),
	"Virtualization.Gaps":      lost("a libvirt that answers", "what is there, unseen"),
}
