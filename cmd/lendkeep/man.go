package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/cpuguy83/go-md2man/v2/md2man"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lendkeep/providers/files"
	"lendkeep/spec/plain"
)

// page is a man page as Markdown.
type page struct{ name, section, text string }

// manCommand is for make man alone: it writes the pages out of what the program
// itself shows as help.
func manCommand() *cobra.Command {
	return &cobra.Command{
		Use:    "man FOLDER",
		Short:  "Write the man pages into a folder",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, arguments []string) error {
			if err := os.MkdirAll(arguments[0], 0o755); err != nil {
				return fail(exitUsage, "", "write man pages: %w", err)
			}
			for _, p := range pages() {
				if err := files.Write(filepath.Join(arguments[0], p.name+"."+p.section), p.roff(), 0o644); err != nil {
					return fail(exitUsage, "", "write man pages: %w", err)
				}
			}
			return nil
		},
	}
}

func (p page) roff() []byte { return md2man.Render([]byte(p.text)) }

func pages() []page {
	list := []page{{"lendkeep", "1", commands(newRoot())}}
	for _, t := range topics() {
		list = append(list, page{"lendkeep-" + t.name, t.section, "# NAME\n\nlendkeep-" + t.name + " - " + lower(t.short) + "\n\n# DESCRIPTION\n\n" + t.text()})
	}
	var others []string
	for _, p := range list {
		others = append(others, p.name+"("+p.section+")")
	}
	for i, p := range list {
		list[i].text = fmt.Sprintf("%% %q %q \"\" \"lendkeep\" \"lendkeep\"\n%s\n# SEE ALSO\n\n%s\n", strings.ToUpper(p.name), p.section,
			shouted(p.text), strings.Join(slices.Delete(slices.Clone(others), i, i+1), ", "))
	}
	return list
}

// shouted writes headings of sections as man pages have them.
func shouted(text string) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "## ") {
			line = strings.ToUpper(line)
		}
		b.WriteString(line)
	}
	return b.String()
}

func lower(sentence string) string { return strings.ToLower(sentence[:1]) + sentence[1:] }

// commands describes every command with its options, and the exit codes.
func commands(root *cobra.Command) string {
	root.InitDefaultHelpCmd()
	var b strings.Builder
	fmt.Fprintf(&b, "# NAME\n\nlendkeep - %s\n\n", lower(root.Short))
	fmt.Fprintf(&b, "# SYNOPSIS\n\n`lendkeep` COMMAND [ARGUMENT] [OPTION]...\n\n# DESCRIPTION\n\n%s\n\n## Commands\n", plain.Markdown(about))
	for _, c := range root.Commands() {
		command(&b, c)
	}
	b.WriteString("\n## Options of every command\n\n")
	options(&b, root.PersistentFlags())
	b.WriteString("`--version`\n: lendkeep's version\n\n# EXIT STATUS\n\n")
	for code, meaning := range exitMeanings {
		fmt.Fprintf(&b, "%d\n: %s\n\n", code, plain.Markdown(meaning))
	}
	b.WriteString(plain.Markdown(exitNote) + "\n\n")
	return b.String()
}

func command(b *strings.Builder, c *cobra.Command) {
	if !c.IsAvailableCommand() {
		return
	}
	fmt.Fprintf(b, "\n### %s\n\n%s\n\n", plain.Markdown(usageOf(c)), plain.Markdown(c.Long))
	options(b, c.LocalNonPersistentFlags())
	if c.Example != "" {
		b.WriteString("For example:\n\n")
		for line := range strings.Lines(c.Example) {
			b.WriteString("    " + strings.TrimSpace(line) + "\n")
		}
	}
	for _, inner := range c.Commands() {
		command(b, inner)
	}
}

func options(b *strings.Builder, flags *pflag.FlagSet) {
	flags.VisitAll(func(f *pflag.Flag) {
		value, usage := pflag.UnquoteUsage(f)
		if f.Shorthand != "" {
			fmt.Fprintf(b, "`-%s`, ", f.Shorthand)
		}
		fmt.Fprintf(b, "`--%s` %s\n: %s\n\n", f.Name, plain.Markdown(value), plain.Markdown(usage+byDefault(f)))
	})
}
