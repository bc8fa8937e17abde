package main

import (
	"errors"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"lendkeep/providers/libvirt"
)

// number is lendkeep's version; the package's changelog begins with it.
const number = "0.1.0"

// build is what a copy of lendkeep says of itself.
type build struct {
	Shape   version `json:"version"` // of what is printed, not of lendkeep
	Version string  `json:"lendkeep"`
	Commit  string  `json:"commit"`  // of the source; empty: it was not built from a repository
	Changed bool    `json:"changed"` // the source had changes that were in no commit
	Go      string  `json:"go"`      // of the compiler
	Libvirt string  `json:"libvirt"` // of the library on this machine; empty: it is not there
}

func versionCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "version",
		Short: "Tell which lendkeep this is",
		Long: `Tells lendkeep's version, the commit and the Go that it was built from, and the
version of libvirt's library on this machine.`,
		Example: "  lendkeep version --json",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			b, err := itself()
			if err != nil {
				return fail(exitUsage, "", "%w", err)
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), b)
			}
			t := &text{w: c.OutOrStdout()}
			t.line("lendkeep %s", b.Version)
			t.line("commit %s", b.source())
			t.line("built by %s", b.Go)
			if b.Libvirt == "" {
				t.line("libvirt is not on this machine")
			} else {
				t.line("libvirt %s", b.Libvirt)
			}
			return t.err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print the version as JSON")
	return c
}

// itself reads what the compiler noted in the program (runtime/debug.BuildSetting).
func itself() (build, error) {
	b := build{Version: number, Go: runtime.Version()}
	if noted, ok := debug.ReadBuildInfo(); ok {
		for _, s := range noted.Settings {
			switch s.Key {
			case "vcs.revision":
				b.Commit = s.Value
			case "vcs.modified":
				b.Changed = s.Value == "true"
			}
		}
	}
	var err error
	if b.Libvirt, err = libvirt.Version(); errors.Is(err, libvirt.ErrMissing) {
		err = nil
	}
	return b, err
}

func (b build) source() string {
	switch {
	case b.Commit == "":
		return "not known"
	case b.Changed:
		return b.Commit + ", with changes"
	default:
		return b.Commit
	}
}
