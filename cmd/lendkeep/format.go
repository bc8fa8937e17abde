package main

import (
	"bytes"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/spec"
)

func formatCommand() *cobra.Command {
	var check bool
	c := &cobra.Command{
		Use:   "format LAYOUT",
		Short: "Rewrite a layout's files in canonical form",
		Long: `Rewrites every layout file in directory LAYOUT, or the one file LAYOUT, in
canonical form: indentation, alignment, blank lines. What the layout means does
not change. Prints the name of each file that it rewrote. With - a file is read
from standard input, and its canonical form written to standard output.

With --check nothing is written: it names each file that is not in canonical form,
and ends with exit code 1 if there is one.`,
		Example: "  lendkeep format layout\n  lendkeep format --check layout\n  lendkeep format - < larch.hcl",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			list, err := sources(c, arguments[0])
			if err != nil {
				return err
			}
			var all spec.Diagnostics
			unformed := false
			for _, s := range list {
				formed, diagnostics := spec.Format(s.content, s.name)
				all = append(all, diagnostics...)
				if diagnostics.HasErrors() {
					continue
				}
				changes := !bytes.Equal(formed, s.content)
				unformed = unformed || changes
				if err := s.put(c, formed, changes, check); err != nil {
					return err
				}
			}
			switch {
			case all.HasErrors():
				return all
			case check && unformed:
				return failure{code: exitFindings}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&check, "check", false, "write nothing; name the files that would change, and end with exit code 1 if there are any")
	return c
}

// source is a layout file, or what comes from standard input.
type source struct {
	name    string
	content []byte
	piped   bool
}

// sources reads the files of a layout.
func sources(c *cobra.Command, name string) ([]source, error) {
	if name == standard {
		content, err := readIn(c, spec.MaxFileBytes)
		if err != nil {
			return nil, fail(exitUsage, "", "format: %w", err)
		}
		return []source{{"standard input", content, true}}, nil
	}
	names, err := layoutFiles(name)
	if err != nil {
		return nil, err
	}
	var list []source
	for _, name := range names {
		content, err := files.Read(name, spec.MaxFileBytes)
		if err != nil {
			return nil, fail(exitUsage, "", "format: %w", err)
		}
		list = append(list, source{name: name, content: content})
	}
	return list, nil
}

func layoutFiles(name string) ([]string, error) {
	stat, err := os.Stat(name)
	if err != nil {
		return nil, fail(exitUsage, "", "format: %w", err)
	}
	if !stat.IsDir() {
		return []string{name}, nil
	}
	list, err := filepath.Glob(filepath.Join(name, "*"+spec.Extension))
	if err == nil && len(list) == 0 {
		err = fail(exitUsage, "", "format: %s has no %s files", name, spec.Extension)
	}
	return list, err
}

// put writes the canonical form where it belongs, and names a file that changes.
func (s source) put(c *cobra.Command, formed []byte, changes, check bool) error {
	if s.piped && !check {
		_, err := c.OutOrStdout().Write(formed)
		return err
	}
	if !changes {
		return nil
	}
	if !check {
		stat, err := os.Stat(s.name)
		if err != nil {
			return fail(exitUsage, "", "format: %w", err)
		}
		if err := files.Write(s.name, formed, stat.Mode().Perm()); err != nil {
			return fail(exitUsage, "", "format: %w", err)
		}
	}
	t := text{w: c.OutOrStdout()}
	t.line("%s", s.name)
	return t.err
}
