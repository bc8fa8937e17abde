package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/machine"
	"lendkeep/testdata/emuhost"
)

// borrower is the name that the makers of fixtures look for.
var borrower = emuhost.Guest{Name: "l2", Borrows: []string{"0000:01:00.0"}, Firmware: true}

// layOut gives the first drive a partition to start from and one of the
// host's, as a lent drive has. What testdata/hosts/larch.overlay.txtar says of
// the drive holds of every capture: its name and all that is drawn at random.
const layOut = `set -e
drive=$(readlink -f /dev/disk/by-id/nvme-QEMU_NVMe_Ctrl_` + machine.Reel + `)
test $drive = /dev/nvme0n1 || { echo "the drives came up in another sequence: capture again" >&2; exit 1; }
sgdisk -U 1E0D6668-9649-4E08-B3B8-03BD9CEC6F94 \
  -n1:0:+128M -t1:EF00 -c1:start -u1:087B6313-D3FE-49F8-B81D-E21B8EAEBEC1 \
  -n2:0:0 -t2:8300 -c2:shelf -u2:2A79736C-44D2-4A6B-B3E2-223504A24C53 $drive >/dev/null
udevadm settle
mkfs.vfat -F32 -n start -i EEEA7F01 ${drive}p1 >/dev/null
mkfs.xfs -q -L shelf -m uuid=5d9655e5-37cf-48da-8cd1-fd1b2717ecf5 ${drive}p2
sleep 2 # udev notices a moment later that they were written, and has the kernel read the table once more
udevadm settle`

// capture takes a host at three moments, each into a folder of its own.
func capture(ctx context.Context, folder string) (err error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	host, err := emulated.Start(ctx, machine.Captured(), os.Stderr)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, host.Close()) }()
	if err := must(host.Shell(ctx, layOut)); err != nil {
		return err
	}
	if err := trees(ctx, host, filepath.Join(folder, "1-before")); err != nil {
		return err
	}
	if err := lend(ctx, host); err != nil {
		return err
	}
	if err := trees(ctx, host, filepath.Join(folder, "2-running")); err != nil {
		return err
	}
	if err := takeBack(ctx, host); err != nil {
		return err
	}
	return trees(ctx, host, filepath.Join(folder, "3-after"))
}

func lend(ctx context.Context, host *emulated.Host) error {
	definition, err := borrower.XML()
	if err != nil {
		return err
	}
	if err := host.WriteFile(ctx, "/tmp/guest.xml", []byte(definition), 0o644); err != nil {
		return err
	}
	if err := must(host.Run(ctx, "virsh", "define", "/tmp/guest.xml")); err != nil {
		return err
	}
	return must(host.Run(ctx, "virsh", "start", borrower.Name))
}

// takeBack ends the guest and waits until the drive's partitions are there again.
func takeBack(ctx context.Context, host *emulated.Host) error {
	if err := must(host.Run(ctx, "virsh", "destroy", borrower.Name)); err != nil {
		return err
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(200 * time.Millisecond) {
		err := must(host.Run(ctx, "ls", "/dev/disk/by-partlabel/shelf"))
		if err == nil || time.Now().After(end) {
			return errors.Join(err, must(host.Run(ctx, "udevadm", "settle")))
		}
	}
}

// must takes any exit but 0 for an error.
func must(result emulated.Result, err error) error {
	if err != nil {
		return err
	}
	return result.Err()
}
