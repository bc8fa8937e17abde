package main

import (
	"bytes"

	"github.com/spf13/cobra"

	"lendkeep/providers/archive"
	"lendkeep/providers/holding"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/facts"
	"lendkeep/spec/plain"
)

func surveyCommand() *cobra.Command {
	w := where{lenient: true}
	var root, out, tree, older, layout string
	var asJSON bool
	c := &cobra.Command{
		Use:   "survey",
		Short: "Read every fact off a host",
		Long: `Reads the host's PCI functions, NVMe drives, block devices, mounts and guests
and prints them as tables. With -o it writes the survey file, from which
planning and rehearsing work on any machine. Nothing on the host is changed.

A survey holds every fact as JSON: version, time, machine, PCI functions, block
devices, mounts, swap, named paths, VFIO bindings by kind, firmware images, boot
entries, option ROMs, shim disks, the guard, libvirt's guests and pools; of every
NVMe drive at home, and of the images that a layout moves, what is in them:
partition table, filesystems and how they were left, what can be started from
them. A fact that could not be read is a gap with its path and reason. A survey of
another version, or with an unknown field, is refused. It holds serial numbers,
mount points and guests' definitions: look through it before you give it away.

--root reads below another root directory: a captured tree, or a .txtar archive,
which is such a tree as one text file. libvirt's answers are read from its folder
libvirt/. Where there is none, the survey says that guests and pools are not known,
and nothing that borrows is planned from it.

--keep-tree FILE makes such an archive of this host, to be read with --root
anywhere: exactly the files that were read, what libvirt answered, and what was
seen on the drives. With --root it makes one of another tree.

Where libvirt does not answer, the survey says so and holds everything else:
which guests use what is then not known, and nothing that borrows is planned from
it. Of a controller that is lent, model, serial and drive are shown as the guard's
rules or the guest's definition record them.

With --layout the images and firmware that a layout names are looked at as well, so
that its order can be planned from the file alone.

With --since it tells instead, in words, what has changed since an older survey of
the host: cards, addresses, serials, drives and what is on them, mounts, the
kernel, guests. With --layout too it adds what the layout states of each change.`,
		Example: "  lendkeep survey -o larch.survey.json\n  lendkeep survey --survey larch.survey.json\n  lendkeep survey --layout layout -o larch.survey.json\n  lendkeep survey --since larch.survey.json --layout layout\n  lendkeep survey --root testdata/hosts/larch.txtar",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			switch {
			case layout == "" || older != "":
			case w.survey != "" || root != "":
				return fail(exitUsage, "lendkeep survey --since FILE --layout "+plain.Quoted(layout), "what a layout names is looked at on the host itself: with --survey or --root, --layout needs --since")
			case w.standIn == "":
				if diagnostics := w.lookFor(layout); diagnostics.HasErrors() {
					return diagnostics
				}
			}
			survey, err := takeSurvey(c, &w, root, tree)
			if err != nil {
				return err
			}
			if older != "" {
				return printSince(c, older, layout, survey, asJSON)
			}
			if out != "" {
				var content bytes.Buffer
				if err := survey.Encode(&content); err != nil {
					return err
				}
				return writeOut(c, out, content.Bytes())
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), surveyedOf(survey))
			}
			return printSurvey(c.OutOrStdout(), survey)
		},
	}
	w.flags(c, true)
	c.Flags().StringVar(&root, "root", "", "read this root `DIRECTORY` or .txtar archive of a captured host instead of this machine")
	c.Flags().StringVarP(&out, "output", "o", "", "write the survey to this `FILE` instead of printing tables; - is standard output")
	toStandard(c, "output")
	c.Flags().BoolVar(&asJSON, "json", false, "print the survey as JSON (lendkeep help json)")
	c.Flags().StringVar(&tree, "keep-tree", "", "also keep all that was read, as a .txtar archive, in this `FILE`")
	c.Flags().StringVar(&older, "since", "", "tell what has changed since the survey in this `FILE`")
	c.Flags().StringVar(&layout, "layout", "", "look at what the layout in this `DIRECTORY` names too; with --since: tell what it states of each change")
	c.MarkFlagsMutuallyExclusive("root", "stand-in", "survey")
	c.MarkFlagsMutuallyExclusive("keep-tree", "stand-in", "survey")
	c.MarkFlagsMutuallyExclusive("since", "output")
	c.MarkFlagsMutuallyExclusive("root", "connect")
	c.MarkFlagsMutuallyExclusive("json", "output")
	return c
}

func takeSurvey(c *cobra.Command, w *where, root, keep string) (facts.Survey, error) {
	w.progress = newProgress(c.ErrOrStderr())
	switch {
	case keep != "" && (root == "" || root == "/"):
		w.recorded, w.recording = sysfs.Machine().Recorded()
		survey, err := w.facts(c.Context(), "")
		if err != nil {
			return facts.Survey{}, err
		}
		return survey, writeTree(keep, w.recording)
	case root == "":
		return w.facts(c.Context(), "")
	}
	tree, err := sysfs.Open(root)
	if err != nil {
		return facts.Survey{}, fail(exitUsage, "", "%w", err)
	}
	w.progress.reading()
	defer w.progress.end()
	if keep == "" {
		survey, err := surveyTree(c.Context(), tree)
		if err == nil && root == "/" {
			holding.AskAll(c.Context(), &survey)
		}
		return survey, err
	}
	recorded, recording := tree.Recorded()
	survey, err := surveyTree(c.Context(), recorded)
	if err != nil {
		return facts.Survey{}, err
	}
	return survey, writeTree(keep, recording)
}

func writeTree(name string, recording *archive.Recording) error {
	var content bytes.Buffer
	if err := recording.Write(&content); err != nil {
		return err
	}
	return writeFile(name, content.Bytes())
}
