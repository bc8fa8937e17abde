package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/reconcile/adopt"
	"lendkeep/reconcile/facts"
	"lendkeep/spec"
)

func adoptCommand() *cobra.Command {
	var w where
	var dir string
	var asJSON bool
	c := &cobra.Command{
		Use:   "adopt",
		Short: "Write a first layout of a host as it is",
		Long: `Reads the host, or a survey, and writes into directory LAYOUT what is: the
controllers that guests borrow or have their disks on, those guests, what the host
has mounted there as rules of the return, and a shift for each set of guests that
can run together. Nothing on the host is changed, and an order of that layout
changes nothing of it either: it installs the guard and the watch, and puts
lendkeep's own note of what it borrows into the definition of a guest.

Controllers that may be lent, but are not, stand in controllers.hcl as comments:
take away the two comment signs around one, and it is stated. With each of the
others stands what speaks against it. Guests that have nothing to do with any of
this are left out and counted. What a layout cannot state, or what an order would
have to change, is not carried over; it is told here and at the head of host.hcl.

LAYOUT is made if it is not there. No file in it is written over: one that has
layout files already is refused before anything is written.`,
		Example: "  lendkeep adopt -o larch\n  lendkeep adopt -o larch --survey larch.survey.json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if err := mayTake(dir); err != nil {
				return err
			}
			w.progress = newProgress(c.ErrOrStderr())
			survey, err := w.facts(c.Context(), "")
			if err != nil {
				return err
			}
			adopted, err := adopt.From(facts.NewIndex(&survey))
			if err != nil {
				return fail(exitFindings, "write the layout by hand, from one of the examples: lendkeep help layout", "%w", err)
			}
			if err := writeLayout(dir, adopted.Files); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), adoptedOf(dir, adopted))
			}
			return printAdopted(c, dir, adopted)
		},
	}
	w.flags(c, true)
	c.Flags().StringVarP(&dir, "output", "o", "", "write the layout into this directory `LAYOUT`")
	_ = c.MarkFlagRequired("output") // the flag is there, a line above
	c.Flags().BoolVar(&asJSON, "json", false, "print what was written, and what was not, as JSON (lendkeep help json)")
	return c
}

// mayTake tells whether a first layout may be written into a directory: where
// another lies, the two would be read as one.
func mayTake(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fail(exitUsage, "name a directory: lendkeep adopt -o LAYOUT", "adopt: %w", err)
	}
	for _, e := range entries {
		if filepath.Ext(e.Name()) == spec.Extension {
			return fail(exitUsage, "name a directory that is not there yet, or move what it holds away",
				"adopt: %s has a layout file already, %s; nothing is written over it or beside it", dir, e.Name())
		}
	}
	return nil
}

// writeLayout writes each file as a new one.
func writeLayout(dir string, list []spec.File) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fail(exitUsage, "", "adopt: make directory: %w", err)
	}
	for _, f := range list {
		if err := files.WriteNew(filepath.Join(dir, f.Name), f.Bytes, files.Private); err != nil {
			return fail(exitUsage, "", "adopt: %w", err)
		}
	}
	return nil
}

// adoptedShape is what adopt --json prints.
type adoptedShape struct {
	Version     version  `json:"version"`
	Layout      string   `json:"layout"`
	Files       []string `json:"files"`
	Controllers []string `json:"controllers"`
	Guests      []string `json:"guests"`
	Shifts      []string `json:"shifts"`
	LeftOut     []string `json:"left_out"`
	MayBeLent   []string `json:"may_be_lent"`
	NotCarried  []string `json:"not_carried_over"`
}

func adoptedOf(dir string, a adopt.Adopted) adoptedShape {
	return adoptedShape{Layout: dir, Files: spec.Names(a.Files),
		Controllers: spec.Names(a.Layout.Controllers), Guests: spec.Names(a.Layout.Guests), Shifts: spec.Names(a.Layout.Shifts),
		LeftOut: listed(a.LeftOut), MayBeLent: listed(a.Lent), NotCarried: listed(a.Told)}
}

func printAdopted(c *cobra.Command, dir string, a adopt.Adopted) error {
	out := text{w: c.OutOrStdout()}
	out.line("Written to %s: %s, %s, %s.", dir, count(len(a.Layout.Controllers), "controller"), count(len(a.Layout.Guests), "guest"), count(len(a.Layout.Shifts), "shift"))
	if n := len(a.LeftOut); n > 0 {
		out.line("Left out, with nothing to do with it: %s.", count(n, "guest"))
	}
	if n := len(a.Lent); n > 0 {
		out.line("As comments in controllers.hcl, since they may be lent: %s.", strings.Join(a.Lent, ", "))
	}
	if len(a.Told) > 0 {
		out.line("Not carried over:")
	}
	for _, told := range a.Told {
		out.line("  %s", told)
	}
	out.line("To see what it says of this host: %s", calling(c, "check", dir))
	out.line("To write the order: %s", calling(c, "plan", dir, "-o", "first.order"))
	return out.err
}
