package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/providers/firmware"
	"lendkeep/reconcile/facts"
)

func shimCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "shim",
		Short: "See what guest firmware can boot from, and build what it lacks",
		Long: `Firmware without an NVMe driver does not see a lent NVMe drive. A shim brings the
driver: an option ROM of the lent controller, or a small boot disk. Both are
made of parts of another firmware, or of files that you give.`,
		Example: "  lendkeep shim inspect /usr/share/OVMF/OVMF_CODE_4M.fd",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(shimInspectCommand(), shimBuildCommand())
	return c
}

func shimInspectCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "inspect FILE",
		Short: "Tell which drivers a firmware image holds",
		Long: `Reads a UEFI firmware image, raw or qcow2, and tells for each part that booting
depends on whether it is there. What could not be read in full is unknown, with
the reason, and never taken for absent. Nothing is changed.`,
		Example: "  lendkeep shim inspect /usr/share/OVMF/OVMF_CODE_4M.fd",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			root, name, err := filed(arguments[0])
			if err != nil {
				return err
			}
			told := newProgress(c.ErrOrStderr())
			told.awaited(readingImage, 0)
			report, err := firmware.Inspect(files.Dir(root), name, firmwareCache())
			told.end()
			if err != nil {
				return fail(exitUsage, "name a firmware image; those of the host are listed in /usr/share/qemu/firmware", "%s: %w", arguments[0], err)
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), inspected{File: arguments[0], Report: report})
			}
			return printFirmware(c.OutOrStdout(), arguments[0], report)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the answers as JSON")
	return c
}

// readingImage is the phase in which a firmware image is taken apart.
const readingImage = "reading the firmware image"

// filed splits a file's name into its folder and itself, as readers of a root
// directory take it.
func filed(name string) (root, base string, err error) {
	whole, err := filepath.Abs(name)
	if err != nil {
		return "", "", fail(exitUsage, "", "%s: %w", name, err)
	}
	return filepath.Dir(whole), filepath.Base(whole), nil
}

// firmwareCache is where answers about images of a known content are kept.
func firmwareCache() string { return cached("firmware") }

// cached is where something is kept that is only made faster or told better by it;
// empty, which means nowhere, for a user without a home.
func cached(what string) string {
	folder, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(folder, "lendkeep", what)
}

func printFirmware(w io.Writer, name string, report firmware.Report) error {
	t := &text{w: w}
	t.line("Firmware image %s, %s", name, facts.Size(uint64(report.Bytes)))
	t.line("sha256 %s", report.SHA256)
	t.line("")
	rows := [][]string{{"part", "is", "what it does", "why unknown"}}
	for _, part := range firmware.Parts() {
		answer := report.Of(part)
		rows = append(rows, []string{part.Name, answer.Held.String(), part.Does, orDash(answer.Why)})
	}
	t.table(rows)
	t.line("")
	if len(report.Warnings) > 0 {
		t.line("Not read: %s.", strings.Join(report.Warnings, "; "))
	}
	nvme, shell := report.Of(firmware.NVMe).Held, report.Of(firmware.Shell).Held
	switch nvme {
	case firmware.Present:
		t.line("A guest with this firmware starts from a lent NVMe drive by itself; it needs no shim.")
	case firmware.Absent:
		t.line("A guest with this firmware does not see a lent NVMe drive; it needs a shim.")
	default:
		t.line("Whether a guest with this firmware sees a lent NVMe drive cannot be told.")
	}
	switch {
	case nvme == firmware.Present && shell == firmware.Present:
		t.line("It can be the donor of an option ROM and of a shim disk.")
	case nvme == firmware.Present:
		t.line("It can be the donor of an option ROM. A shim disk needs a UEFI Shell from elsewhere.")
	}
	return t.err
}
