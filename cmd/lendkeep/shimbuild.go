package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/drive/content"
	"lendkeep/providers/files"
	"lendkeep/providers/firmware"
	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// shimOrder is what shim build was asked for.
type shimOrder struct {
	donor, driver, shell string // files
	as, out              string
	vendor, device       string // of a ROM
	partition, of        string // of a disk
	loaders              []string
	powerOff             bool
}

func shimBuildCommand() *cobra.Command {
	var o shimOrder
	c := &cobra.Command{
		Use:   "build",
		Short: "Build an option ROM or a shim disk",
		Long: `Builds what brings an NVMe driver to firmware that has none. The driver, and for a
disk the UEFI Shell, come from a donor firmware or from files that you give. The
same parts give the same file, byte for byte.

With --as rom it is an option ROM for the lent controller, <rom file=.../> in its
<hostdev>.

With --as disk it is a disk of 6 MiB to attach by SATA or virtio, first in the boot
order. It starts the loader of the wanted partition, else of the first drive that
its driver brings.`,
		Example: `  lendkeep shim build --donor /usr/share/OVMF/OVMF_CODE_4M.fd --as rom --vendor 1b36 --device 0010 -o reel.rom
  lendkeep shim build --donor /usr/share/OVMF/OVMF_CODE_4M.fd --as disk -o reel-start.img`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return o.build(c.OutOrStdout(), newProgress(c.ErrOrStderr()))
		},
	}
	f := c.Flags()
	f.StringVar(&o.donor, "donor", "", "take the parts from this firmware image `FILE`")
	f.StringVar(&o.driver, "driver", "", "take the NVMe driver from this `FILE`: an EFI boot service driver for x86-64")
	f.StringVar(&o.shell, "shell", "", "take the UEFI Shell from this `FILE`: an EFI application for x86-64")
	f.StringVar(&o.as, "as", "", "what to build (`KIND`): rom or disk")
	f.StringVarP(&o.out, "output", "o", "", "write to this `FILE`")
	f.StringVar(&o.vendor, "vendor", "", "rom: the controller's vendor `ID`, four hexadecimal digits")
	f.StringVar(&o.device, "device", "", "rom: the controller's device `ID`, four hexadecimal digits")
	f.StringVar(&o.partition, "partition", "", "disk: start only from the EFI system partition with this GPT `ID`; needs --of")
	f.StringVar(&o.of, "of", "", "disk: read where that partition lies from this `DRIVE`, a raw image or block device; it is only read")
	f.StringArrayVar(&o.loaders, "loader", nil, `disk: start the loader at this `+"`PATH`"+` on the partition, such as \EFI\debian\grubx64.efi; may be repeated`)
	f.BoolVar(&o.powerOff, "power-off", false, "disk: power the guest off when there is nothing to start, instead of a prompt")
	return c
}

func (o shimOrder) build(w io.Writer, told *progress) error {
	if err := o.complete(); err != nil {
		return err
	}
	if err := o.mayWrite(); err != nil {
		return err
	}
	var donor *firmware.Image
	if o.donor != "" {
		root, name, err := filed(o.donor)
		if err != nil {
			return err
		}
		told.awaited(readingImage, 0)
		donor, err = firmware.Open(files.Dir(root), name)
		told.end()
		if err != nil {
			return fail(exitUsage, "name a firmware image: lendkeep shim inspect FILE tells what one holds", "%s: %w", o.donor, err)
		}
	}
	t := &text{w: w}
	driver, err := o.part(t, "NVMe driver", o.driver, donor, firmware.NVMe)
	if err != nil {
		return err
	}
	var content []byte
	if o.as == "rom" {
		content, err = o.rom(driver)
	} else {
		content, err = o.disk(t, driver, donor)
	}
	if err != nil {
		return err
	}
	if err := files.Write(o.out, content, 0o644); err != nil {
		return fail(exitUsage, "", "%w", err)
	}
	t.line("%s: %d bytes, sha256 %s", o.out, len(content), hashed(content))
	o.cautions(t)
	return t.err
}

// complete refuses an order that leaves something open.
func (o shimOrder) complete() error {
	const next = "lendkeep shim build --help shows two examples"
	switch {
	case o.as != "rom" && o.as != "disk":
		return fail(exitUsage, next, "--as %q: want rom or disk", o.as)
	case o.out == "":
		return fail(exitUsage, next, "name the file to write: -o FILE")
	case o.donor == "" && o.driver == "":
		return fail(exitUsage, next, "say where the NVMe driver comes from: --donor FILE or --driver FILE")
	case o.as == "rom" && (o.vendor == "" || o.device == ""):
		return fail(exitUsage, "lspci -n lists them: --vendor 1b36 --device 0010", "an option ROM needs the controller's PCI ids")
	case o.as == "rom" && (o.shell != "" || o.partition != "" || o.of != "" || len(o.loaders) > 0 || o.powerOff):
		return fail(exitUsage, next, "an option ROM holds a driver alone: --shell, --partition, --of, --loader and --power-off are for --as disk")
	case o.as == "disk" && (o.vendor != "" || o.device != ""):
		return fail(exitUsage, next, "--vendor and --device are for --as rom")
	case o.as == "disk" && o.donor == "" && o.shell == "":
		return fail(exitUsage, next, "say where the UEFI Shell comes from: --donor FILE or --shell FILE")
	case (o.partition == "") != (o.of == ""):
		return fail(exitUsage, "give both: --partition ID --of DRIVE", "--partition and --of go together: where the partition lies is read from its drive")
	}
	return nil
}

// mayWrite refuses to write over anything but a file, and over a file that the
// build reads: a device's name in the wrong place must not cost its content.
func (o shimOrder) mayWrite() error {
	there, err := os.Stat(o.out)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fail(exitUsage, "", "write %s: %w", o.out, err)
	}
	if !there.Mode().IsRegular() {
		return fail(exitUsage, "name a new file: -o FILE", "%s is not a file; nothing was written", o.out)
	}
	for _, read := range []string{o.donor, o.driver, o.shell, o.of} {
		if other, err := os.Stat(read); err == nil && os.SameFile(there, other) {
			return fail(exitUsage, "name a new file: -o FILE", "%s is what the build reads; nothing was written", o.out)
		}
	}
	return nil
}

// maxPartBytes bounds a driver or shell; edk2's shell has about 1 MiB.
const maxPartBytes = 16 << 20

// part gives one part, from the operator's file or else the donor, and says
// where it was taken from.
func (o shimOrder) part(t *text, what, file string, donor *firmware.Image, part firmware.Part) ([]byte, error) {
	from := file
	content, err := []byte(nil), error(nil)
	if file != "" {
		content, err = files.Read(file, maxPartBytes)
	} else {
		from = o.donor + " (file " + part.GUID.Upper() + ")"
		content, err = donor.Extract(part.GUID)
	}
	if err != nil {
		return nil, fail(exitUsage, "lendkeep shim inspect FILE tells what a firmware holds; or give the part itself: --driver FILE, --shell FILE", "take the %s from %s: %w", what, from, err)
	}
	t.line("%s: from %s, %d bytes, sha256 %s", what, from, len(content), hashed(content))
	return content, nil
}

func hashed(content []byte) string { return fmt.Sprintf("%x", sha256.Sum256(content)) }

func (o shimOrder) rom(driver []byte) ([]byte, error) {
	vendor, err := pciID("--vendor", o.vendor)
	if err != nil {
		return nil, err
	}
	device, err := pciID("--device", o.device)
	if err != nil {
		return nil, err
	}
	content, err := firmware.ROM{Driver: driver, Vendor: vendor, Device: device}.Build()
	return content, buildFailed(err)
}

// pciID reads one half of a PCI identity as lspci -n prints it.
func pciID(flag, text string) (uint16, error) {
	id, err := strconv.ParseUint(text, 16, 16)
	if err != nil || len(text) != 4 {
		return 0, fail(exitUsage, "lspci -n lists them", "%s %q: want four hexadecimal digits, such as 1b36", flag, text)
	}
	return uint16(id), nil
}

func (o shimOrder) disk(t *text, driver []byte, donor *firmware.Image) ([]byte, error) {
	shell, err := o.part(t, "UEFI Shell", o.shell, donor, firmware.Shell)
	if err != nil {
		return nil, err
	}
	shim := firmware.Shim{Shell: shell, Driver: driver, Loaders: o.loaders}
	if o.powerOff {
		shim.Ending = firmware.PowerOff
	}
	if o.partition != "" {
		if shim.Wanted, err = o.wanted(t); err != nil {
			return nil, err
		}
	}
	content, err := shim.Build()
	return content, buildFailed(err)
}

func buildFailed(err error) error {
	if err == nil {
		return nil
	}
	return fail(exitUsage, "the parts must be EFI programs for x86-64: a boot service driver and the UEFI Shell", "%w", err)
}

// wanted finds the partition on its drive: a device path names a partition by
// its place as well as by its id.
func (o shimOrder) wanted(t *text) (*facts.SystemPartition, error) {
	id, err := guid.Parse(o.partition)
	if err != nil {
		return nil, fail(exitUsage, "lsblk -o NAME,PARTUUID lists them", "--partition: %w", err)
	}
	seen, err := partitioned(o.of)
	if err != nil {
		return nil, fail(exitUsage, "name the whole drive or a raw image of it: --of DRIVE", "%s: %w", o.of, err)
	}
	var there []string
	for _, v := range seen.Volumes {
		i := slices.IndexFunc(seen.Table.Entries, func(e facts.Entry) bool { return e.Number == v.Number })
		e := seen.Table.Entries[i]
		switch {
		case !v.ESP:
			continue
		case e.ID != id.String():
			there = append(there, e.ID)
			continue
		}
		t.line("starts from: partition %d of %s", e.Number, o.of)
		for _, loader := range v.Loaders {
			t.line("   loader there: %s", loader)
		}
		if v.Gap != "" {
			t.line("   not read in full: %s", v.Gap)
		}
		return &facts.SystemPartition{Number: e.Number, ID: e.ID, First: e.First, Sectors: e.Last - e.First + 1}, nil
	}
	next := "name another drive: it has no EFI system partition"
	if len(there) > 0 {
		next = "name one that it has: " + strings.Join(there, ", ")
	}
	return nil, fail(exitUsage, next, "%s has no EFI system partition %s", o.of, id)
}

// partitioned reads a drive with a GPT, whose block size is not known: a table
// for blocks of 512 bytes is at another place than one for 4096.
func partitioned(name string) (facts.Content, error) {
	drive, err := files.OpenDrive(name)
	if err != nil {
		return facts.Content{}, err
	}
	defer drive.Close() // only read
	size, err := drive.Seek(0, io.SeekEnd)
	if err != nil {
		return facts.Content{}, err
	}
	reason := "no GPT"
	for _, sector := range []uint64{512, 4096} {
		seen := content.Read(drive, name, uint64(size), sector, true)
		if seen.Table != nil && seen.Table.Kind == "gpt" {
			return seen, nil
		}
		if sector == 512 && len(seen.Gaps) > 0 {
			reason = seen.Gaps[0].Reason
		}
	}
	return facts.Content{}, errors.New(reason)
}

// cautions says what the file needs to work (measured with libvirt 9.0.0 and
// Debian's OVMF).
func (o shimOrder) cautions(t *text) {
	t.line("")
	t.line("Secure Boot must be off in the guest: the parts are not signed.")
	if o.as == "disk" {
		t.line("The guest never writes to the disk: attach it read-only on virtio; on SATA QEMU refuses a read-only disk.")
		return
	}
	t.line("libvirt neither checks nor relabels a ROM file: QEMU's own user must be able to read it.")
	t.line("AppArmor keeps QEMU from files outside its folders: put it below /usr/share/qemu, or add a line for it to")
	t.line("/etc/apparmor.d/local/abstractions/libvirt-qemu. Otherwise the guest starts with: failed to find romfile.")
}
