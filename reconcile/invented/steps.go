package invented

import (
	"time"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/step"
)

// Steps gives every kind of step, with all that each can need and give: what
// must hold for every kind is tested on these, and a test misses one that is not
// here.
func Steps() []step.Step {
	b := NewBuilder()
	reel := b.Identity("reel", b.NVMe("RL-4410-0073", "start", "shelf"))
	b.Guest("grading", "/srv/images/grading.qcow2")
	card := b.Identity("card", b.Card(reel.Address, "e1000e"))
	before := b.Survey.Libvirt.Guests[0].Kept.XML
	table := *b.Look("nvme0n1").Table
	shelf := step.Filesystem{Controller: reel, Partition: "shelf", FSType: "xfs", Path: "/srv/shelf", Options: []string{"noatime"}}
	rom, shim := facts.ROMFor(reel, "0a1b2c3d"), facts.ShimFor("reel", facts.Shim{Driver: "0a", Shell: "5e"})
	hand := &step.ByHand{Guest: "grading", Controller: "reel", System: "windows", Hand: "encryption", Keep: "k", Image: "/srv/images/grading.qcow2", Called: "Windows",
		Of: "guest grading", Saw: facts.Answer{Question: facts.AsksEncryption, Says: facts.Unknown, Seen: "it did not say"}}
	asked := []string{hand.Name()}
	starts := definition.Wanted{Name: "grading", Known: []facts.Identity{reel}, Borrows: []definition.Borrowed{
		{Identity: reel, Boots: true, ROM: rom.Path, Shim: &definition.ShimDisk{Path: shim.Path, Bus: "sata"}}}}
	return append(fills(reel, table, asked), hand,
		&step.InstallGuard{After: &guard.Rules{Format: guard.Format, NeverLend: []string{}, Controllers: []guard.Controller{}, Guests: []guard.Guest{}}},
		&step.InstallGuard{Before: facts.GuardFiles{Hook: "#!/bin/sh\n"}},
		&step.InstallWatch{After: true, Guarded: true},
		&step.InstallWatch{Before: facts.WatchFiles{Unit: "[Unit]\n"}},
		&step.PlaceROM{Controller: "reel", Donor: "/fw/donor.fd", DonorSum: "d0", ROM: rom},
		&step.PlaceShim{Controller: reel, Donor: "/fw/donor.fd", DonorSum: "d0", Shim: shim, Copied: true},
		&step.WriteEntry{Guest: "grading", Store: "/vars.fd", StoreSum: "a0", Entry: facts.NewEntry{Label: "x", File: `\a.efi`}},
		&step.StopGuest{Guest: "grading", Limit: time.Minute, LetsGo: []facts.Identity{reel}, Mounts: []step.Filesystem{shelf}, ByHand: asked},
		&step.StartGuest{Guest: "grading", Limit: time.Minute, Borrows: []facts.Identity{reel}, Frees: []string{"/srv/shelf"}, LivesOn: []string{"/srv/films"},
			Aside: []facts.Identity{{Controller: "card"}}, Guarded: true, Filled: []string{"reel"}, ROM: rom.Path, Shim: shim.Path, Apart: []string{"second"}, Made: []string{"/srv/images/back.qcow2"}, Store: "/vars.fd", Pages: step.PagesOn(1, 2<<20)},
		&step.DefineGuest{Guest: "grading", Before: before, Wanted: starts},
		&step.DefineGuest{Guest: "scans", Wanted: definition.Wanted{Name: "scans", MemoryBytes: 1 << 30, CPUs: 1}},
		&step.RetireGuest{Guest: "grading", Before: before, Autostart: true},
		&step.Mount{Filesystem: shelf, Made: []string{"shelf"}, Filled: true, In: "/srv"},
		&step.Unmount{Filesystem: shelf, Users: []string{"catalogue"}, Holds: []string{"/srv/shelf/inner"}},
		&step.TakeBack{Controller: reel, Limit: time.Minute, Guest: "grading"},
		&step.TakeBack{Controller: reel, Limit: time.Minute, Idle: true},
		&step.TakeBack{Controller: card, Limit: time.Minute, Guest: "grading", Shown: guard.ShownBy(facts.NewIndex(&b.Survey), card)},
		&step.SetAside{Controller: reel, For: "other"},
		&step.SetAside{Controller: card, For: "other", Kept: []step.Kept{{At: card.Address, Driver: "pci-stub", Override: "pci-stub"}}},
		&step.KeepPages{Node: 1, SizeBytes: 2 << 20, Before: 3, After: 515, Guests: []string{"grading"}, Off: []string{"catalogue"}},
		&step.MakeVirtual{Controller: reel, Before: 0, After: 2},
		&step.MakeVirtual{Controller: reel, Before: 4, After: 2},
		&step.KeepPages{Node: 1, SizeBytes: 2 << 20, Before: 515, After: 3, Guests: []string{"grading"}, Off: []string{"grading"}},
	)
}

// fills gives the steps that write a drive.
func fills(reel facts.Identity, table facts.Table, asked []string) []step.Step {
	to := step.Target{Controller: reel, Drive: facts.Drive{Controller: "reel", Serial: reel.Serial, Namespace: 1, SizeBytes: 2 << 30, SectorBytes: 512}, Keep: "k"}
	from := facts.Source{Path: "/srv/images/grading.qcow2", SizeBytes: 1 << 30}
	driver := facts.Answer{Question: facts.AsksDriver, Says: facts.Absent, Where: `\Windows\System32\config\SYSTEM`, Seen: "stornvme: Start is 3", Mendable: true}
	image := facts.NewImage{Path: "/srv/images/back.qcow2", Format: "qcow2", Table: table}
	if made, err := facts.ImageOf(image.Path, image.Format, table, table.Entries[:1]); err == nil {
		image = made
	}
	entry, made := table.Entries[0], facts.NewFilesystem{Kind: "xfs", UUID: "u"}
	return []step.Step{
		&step.ClearDrive{Target: to, Holds: "a GPT", Table: table.ID, Then: "another"},
		&step.CopySystem{Target: to, Source: from, Table: table.ID, DataBytes: 1 << 30, Users: []string{"grading"}, ByHand: asked, Erased: true, Rests: []facts.Answer{driver}, Hands: []facts.Matter{facts.AsksEncryption}},
		&step.CopySystem{Target: to, Source: from, Table: table.ID, Laid: true},
		&step.StartAtBoot{Target: to, Guests: []string{"grading"}, Image: from.Path, Table: table.ID, Saw: driver, Copied: true},
		&step.StartAtBoot{Target: to, Guests: []string{"grading"}, Image: from.Path, Table: table.ID, Saw: driver, Laid: true},
		&step.WriteTable{Target: to, After: table, Erased: true},
		&step.WriteTable{Target: to, Before: &table, After: table, Copied: true},
		&step.WriteTable{Target: to, Before: &table, After: table},
		&step.MakeFilesystem{Target: to, Partition: entry, Made: made, Over: true},
		&step.MakeFilesystem{Target: to, Partition: entry, Made: made, Added: true},
		&step.CopyBack{Target: to, Guest: "grading", Before: table, Image: image, On: []string{"/srv/films"}},
	}
}
