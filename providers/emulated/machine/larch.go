package machine

// The serials of larch's drives.
const (
	Own     = "SYS-0001"     // the host runs from it
	Reel    = "RL-4410-0073" // alone in its group
	Spare   = "RL-4410-0088" // alone too
	Shared  = "RL-4410-0119" // shares its group with a network card
	TwinA   = "RL-4410-0201" // function 0 of a card
	TwinB   = "RL-4410-0202" // function 1 of it
	Behind  = "RL-4410-0301" // behind a switch, sectors of 4096 bytes
	Disk    = "RL-4410-0302" // a SATA disk, behind the same switch
	Bridged = "RL-4410-0401" // behind a bridge to conventional PCI
)

// Larch is the host of the invented film-scanning workshop, with a seat of
// every way. Its first card is 0000:01:00.0.
func Larch() Machine {
	return Machine{
		Own: Card{Kind: NVMe, Serial: Own},
		Seats: []Seat{
			{Cards: []Card{roomy(Reel), roomy(Spare)}},
			{Way: SharedSlot, Cards: []Card{small(NVMe, Shared), {Kind: Network}}},
			{Way: MultiFunction, Cards: []Card{small(NVMe, TwinA), small(NVMe, TwinB)}},
			{Way: Switched, Cards: []Card{{Kind: NVMe, Serial: Behind, SizeMiB: smallMiB, SectorBytes: 4096}, small(SATA, Disk)}},
			{Way: Conventional, Cards: []Card{small(NVMe, Bridged), {Kind: Network}}},
		},
	}
}

// Captured is the part of larch that fixtures are captured from: three drives, of
// which one shares its group with a network card. testdata/hosts/larch.overlay.txtar
// counts on their sizes.
func Captured() Machine {
	drive := func(serial string, sizeMiB int) Card { return Card{Kind: NVMe, Serial: serial, SizeMiB: sizeMiB} }
	return Machine{
		Own: Card{Kind: NVMe, Serial: Own},
		Seats: []Seat{
			{Cards: []Card{drive(Reel, 2048), drive(Spare, 512)}},
			{Way: SharedSlot, Cards: []Card{drive(Shared, 512), {Kind: Network}}},
		},
	}
}

// smallMiB keeps short what a survey reads of a drive that is blank.
const smallMiB = 64

// small is a drive that is only ever lent.
func small(kind Kind, serial string) Card {
	return Card{Kind: kind, Serial: serial, SizeMiB: smallMiB}
}

// roomy is an NVMe drive that an ESP and an XFS filesystem fit on (mkfs.xfs of
// xfsprogs 5.19 and later makes none below 300 MiB).
func roomy(serial string) Card {
	return Card{Kind: NVMe, Serial: serial, SizeMiB: 640}
}
