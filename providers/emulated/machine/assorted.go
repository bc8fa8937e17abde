package machine

// The serials of the drives that only Assorted has.
const (
	Stick   = "ST-4410-0501" // plugged into its USB controller
	MirrorA = "RL-4410-0601" // the first disk of its SATA controller
	MirrorB = "RL-4410-0602" // the second
	Parent  = "RL-4410-0701" // of a controller that makes virtual functions
	Far     = "RL-4410-0801" // on its second NUMA node
)

// Assorted is larch with other cards in it: a controller of every kind that may be
// lent besides NVMe drives, and two NUMA nodes with two CPUs each. Every kind is
// there once, but for the SATA controller that each such machine has anyway.
func Assorted() Machine {
	return Machine{
		CPUs:  4,
		Nodes: 2,
		Own:   Card{Kind: NVMe, Serial: Own},
		Seats: []Seat{
			{Way: MultiFunction, Cards: []Card{{Kind: Graphics}, {Kind: Sound}}},
			{Cards: []Card{small(USB, Stick), {Kind: SATA, Serial: MirrorA, Second: MirrorB, SizeMiB: smallMiB}, {Kind: Network}}},
			{Cards: []Card{{Kind: NVMe, Serial: Parent, SizeMiB: smallMiB, Virtual: 2}}},
			{Node: 1, Cards: []Card{small(NVMe, Far)}},
		},
	}
}
