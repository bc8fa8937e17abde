package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"lendkeep/providers/files"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

func formatCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "format LAYOUT",
		Short: "Rewrite a layout's files in canonical form",
		Long: `Rewrites every layout file in directory LAYOUT, or the one file LAYOUT, in
canonical form: indentation, alignment, blank lines. What the layout means does
not change. Prints the name of each file that it rewrote.`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			names, err := layoutFiles(arguments[0])
			if err != nil {
				return err
			}
			var all spec.Diagnostics
			for _, name := range names {
				changed, diagnostics, err := formatFile(name)
				if err != nil {
					return err
				}
				all = append(all, diagnostics...)
				if changed {
					fmt.Fprintln(c.OutOrStdout(), plain.Text(name))
				}
			}
			if all.HasErrors() {
				return all
			}
			return nil
		},
	}
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

func formatFile(name string) (bool, spec.Diagnostics, error) {
	source, err := files.Read(name, spec.MaxFileBytes)
	if err != nil {
		return false, nil, fail(exitUsage, "", "format: %w", err)
	}
	formed, diagnostics := spec.Format(source, name)
	if diagnostics.HasErrors() || bytes.Equal(formed, source) {
		return false, diagnostics, nil
	}
	stat, err := os.Stat(name)
	if err != nil {
		return false, nil, fail(exitUsage, "", "format: %w", err)
	}
	if err := files.Write(name, formed, stat.Mode().Perm()); err != nil {
		return false, nil, fail(exitUsage, "", "format: %w", err)
	}
	return true, diagnostics, nil
}
