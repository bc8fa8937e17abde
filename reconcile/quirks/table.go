package quirks

import "lendkeep/spec/pci"

// table is the rule base. Each row names the function or table of the kernel's
// source (Version) that it is from; TestTableIsTheKernels holds it against a list
// made from that source, and wants every function of the list to stand here or
// among those that have nothing to do with lending.
var table = []Row{
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x10de, Is: ids(0x22ce, 0x22d0),
		Says: "The link below this port may not come up again after a reset of its bus."},
	{What: NoBusReset, From: "quirk_nvidia_no_bus_reset", Vendor: 0x10de, Mask: 0xffc0, Masked: 0x2340,
		Says: "A reset of its bus leaves it unusable."},
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x168c, Is: ids(0x0030, 0x0032, 0x0033, 0x0034, 0x003c, 0x003e),
		Says: "After a reset of its bus it never answers again, and reading it may hang or reset the host."},
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x17cb, Is: ids(0x0308, 0x1103, 0x1107),
		Says: "After a reset of its bus it never answers again, and reading it may hang or reset the host."},
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x177d, Is: ids(0xa100),
		Says: "With some cards below this port a reset of its bus does not end; they may not answer afterwards."},
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x104c, Is: ids(0xb005),
		Says: "A reset of its bus stops its link for good. Without one it keeps what the last guest left in it."},
	{What: NoBusReset, From: "quirk_no_bus_reset", Vendor: 0x1b21, Is: ids(0x1164),
		Says: "After a reset of its bus its link may not come up again, the more likely with several of them. It has another reset (pm)."},

	{What: NoPowerReset, From: "quirk_no_pm_reset", Vendor: 0x1002, Class: 0x0300, Shift: 8,
		Says: "It says that going to D3hot and back resets it, but keeps what is on its screen and in its memory."},
	{What: NoPowerReset, From: "quirk_no_pm_reset", Vendor: 0x15b3, Is: ids(0xcb84, 0xcf6c, 0xcf70, 0xcf80),
		Says: "It says that going to D3hot and back resets it, but goes on working, its ports stay up."},

	{What: NoFLR, From: "quirk_no_flr", Vendor: 0x1022, Is: ids(0x1487, 0x148c, 0x149c, 0x7901),
		Says: "A function-level reset may hang it."},
	{What: NoFLR, From: "quirk_no_flr", Vendor: 0x8086, Is: ids(0x1502, 0x1503),
		Says: "A function-level reset may hang it."},
	{What: NoFLR, From: "quirk_no_flr_snet", Vendor: 0xd063, Is: ids(0x1000), Revisions: [2]uint8{1, 1},
		Says: "A function-level reset may hang it."},

	{What: OwnReset, From: "nvme_disable_and_flr", Vendor: 0x144d, Is: ids(0xa804), Class: 0x010802,
		Says: "After a function-level reset it may answer nothing but ones; it must be switched off first, which the kernel does."},
	{What: OwnReset, From: "delay_250ms_after_flr", Vendor: 0x8086, Is: ids(0x0953, 0x0a54),
		Says: "Used too soon after a function-level reset it never becomes ready; the kernel waits 250 ms."},
	{What: OwnReset, From: "delay_250ms_after_flr", Vendor: 0x025e, Is: ids(0xf1ac),
		Says: "Used too soon after a function-level reset it never becomes ready; the kernel waits 250 ms."},
	{What: OwnReset, From: "reset_intel_82599_sfp_virtfn", Vendor: 0x8086, Is: ids(0x10ed),
		Says: "It can do a function-level reset but does not say so; the kernel knows."},
	{What: OwnReset, From: "reset_ivb_igd", Vendor: 0x8086, Is: ids(0x0156, 0x0166),
		Says: "The processor's own graphics has no reset but one that the kernel makes by its registers."},
	{What: OwnReset, From: "reset_chelsio_generic_dev", Vendor: 0x1425, Mask: 0xf000, Masked: 0x4000,
		Says: "It jams when it is reset while transfers are under way; the kernel lets them end first."},
	{What: OwnReset, From: "reset_hinic_vf_dev", Vendor: 0x19e5, Is: ids(0x375e),
		Says: "Its firmware must be told of a reset and asked for its end; the kernel does both."},

	{What: NoReturn, From: Memory, Vendor: 0x1002, Is: ids(0x67df, 0x67ef, 0x67ff, 0x699f, 0x6863, 0x687f, 0x66af, 0x731f, 0x7340),
		Says: "Cards of this kind are known not to start a second time after a guest, until the host was without power."},

	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x1425, Is: ids(0x0030), Says: unmasked},
	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x1814, Is: ids(0x0601), Says: unmasked},
	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x1b7c, Is: ids(0x0004), Says: unmasked},
	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x1102, Is: ids(0x000b), Says: unmasked},
	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x10ec, Is: ids(0x8169), Says: unmasked},
	{What: BrokenINTx, From: "quirk_broken_intx_masking", Vendor: 0x8086,
		Is:   ids(0x1572, 0x1574, 0x1580, 0x1581, 0x1583, 0x1584, 0x1585, 0x1586, 0x1587, 0x1588, 0x1589, 0x158a, 0x158b, 0x37d0, 0x37d1, 0x37d2),
		Says: unmasked},
	{What: BrokenINTx, From: "mellanox_broken_intx_devs", Vendor: 0x15b3,
		Is:   ids(0x1003, 0x1007, 0x6340, 0x634a, 0x6354, 0x6368, 0x6372, 0x6732, 0x673c, 0x6746, 0x6750, 0x675a, 0x6764, 0x676e),
		Says: unmasked},
	{What: BrokenINTx, From: "mellanox_check_broken_intx_masking", Vendor: 0x15b3, Is: ids(0x1013, 0x1015),
		Says: unmasked + " With firmware of 12.14.1100 or 14.14.1100 and up it can."},

	{What: HiddenINTx, From: "vfio_pci_nointx", Vendor: 0x8086,
		Is:   ids(0x1563, 0x1572, 0x1574, 0x1580, 0x1581, 0x1583, 0x1584, 0x1585, 0x1586, 0x1587, 0x1588, 0x1589, 0x158a, 0x158b, 0x37d0, 0x37d1, 0x37d2),
		Says: "vfio-pci hides its old-style interrupt from the guest, whose driver must do with MSI."},

	{What: Refused, From: "vfio_pci_dev_in_denylist", Vendor: 0x8086, Is: ids(0x0435, 0x0443, 0x0b25, 0x0cfe, 0x19e2, 0x19e3, 0x37c8, 0x37c9),
		Says: "A guest with it can bring the host down or get at what is not its own, so vfio-pci does not bind it."},

	{What: NoTranslation, From: "quirk_amd_harvest_no_ats", Vendor: 0x1002,
		Is:   ids(0x6900, 0x7310, 0x7312, 0x7318, 0x7319, 0x731a, 0x731b, 0x731e, 0x731f, 0x7340, 0x7341, 0x7347, 0x734f, 0x98e4),
		Says: noATS},
	{What: NoTranslation, From: "quirk_amd_harvest_no_ats", Vendor: 0x1002, Is: ids(0x15d8), Revisions: [2]uint8{0xcf, 0xcf},
		Subsystems: []Subsystem{{0xea50, 0xce19}, {0xea50, 0xcc10}, {0xea50, 0xcc08}}, Says: noATS},
	{What: NoTranslation, From: "quirk_intel_e2000_no_ats", Vendor: 0x8086,
		Is: ids(0x1451, 0x1452, 0x1453, 0x1454, 0x1455, 0x1457, 0x1459, 0x145a, 0x145c), Revisions: [2]uint8{0, 0x1f}, Says: noATS},

	{What: SlowWake, From: "quirk_ryzen_xhci_d3hot", Vendor: 0x1022, Is: ids(0x15e0, 0x15e1, 0x1639),
		Says: "It fails after a sleep in D3hot unless it is given 20 ms to wake."},
	{What: SlowWake, From: "quirk_nvidia_hda_pm", Vendor: 0x10de, Class: 0x0403, Shift: 8,
		Says: "A reset of its bus too soon after it woke from D3 can jam the whole card; the kernel waits 20 ms."},
	{What: SlowWake, From: "quirk_radeon_pm", Vendor: 0x1002, Is: ids(0x6741), Subsystems: []Subsystem{{0x106b, 0x00e2}},
		Says: "It fails after a sleep in D3hot unless it is given 20 ms to wake."},
	{What: SlowWake, From: "pci_fixup_d3cold_delay_1sec", Vendor: 0x5555, Is: ids(0x0004),
		Says: "It takes a second until it answers after a reset or after it was without power."},

	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x1924, Is: ids(0x0903, 0x0923, 0x0a03), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x8086, Is: ids(0x105e, 0x105f, 0x1060, 0x10a7, 0x10a9, 0x10c6, 0x10c9, 0x10d6, 0x10d9, 0x10db, 0x10dd, 0x10e1, 0x10e6, 0x10e7, 0x10e8, 0x10f1,
		0x10f7, 0x10f8, 0x10f9, 0x10fa, 0x10fb, 0x10fc, 0x1507, 0x1509, 0x150a, 0x150d, 0x150e, 0x150f, 0x1510, 0x1511, 0x1514, 0x1516,
		0x1518, 0x151c, 0x1521, 0x1522, 0x1523, 0x1524, 0x1526, 0x1527, 0x1529, 0x152a, 0x154d, 0x154f, 0x1551, 0x1558, 0x15b7, 0x15b8), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x19a2, Is: ids(0x0710), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x10df, Is: ids(0x0720), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x177d, Is: ids(0xa026, 0xa059, 0xa060), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x14e4, Is: ids(0x16d7, 0x1750, 0x1751, 0x1752, 0x1760, 0x1761, 0x1762, 0x1763), Says: apart},
	{What: Apart, From: "pci_quirk_mf_endpoint_acs", Vendor: 0x1d17, Is: ids(0x3038, 0x3104, 0x9083), Says: apart},
}

const (
	unmasked = "The kernel cannot mask its old-style interrupt, so a guest gets it only where no other device shares the line."
	apart    = "Its functions cannot reach each other, though it does not say so."
	noATS    = "It confuses the IOMMU when it keeps addresses of its own (ATS), so the kernel switches that off."
)

func ids(list ...pci.ID) []pci.ID { return list }
