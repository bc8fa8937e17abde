package main

import (
	"fmt"
	"slices"
	"strings"

	"lendkeep/cmd/lendkeep/screen"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// help shows what a command is for, how it is called, and its options.
func help(c *cobra.Command, _ []string) {
	var b strings.Builder
	if c == c.Root() {
		helpOfAll(&b, c)
	} else {
		helpOf(&b, c)
	}
	show(c, b.String())
}

func show(c *cobra.Command, text string) {
	_ = screen.On(c.OutOrStdout()).Prose(text) // nowhere is left to report to
}

func helpOfAll(b *strings.Builder, root *cobra.Command) {
	fmt.Fprintf(b, "%s\n\n", about)
	listing(b, "What it can do, with lendkeep COMMAND:", root, func(c *cobra.Command) bool { return c.IsAvailableCommand() && c.Name() != "help" })
	b.WriteString("lendkeep help COMMAND says more of one, and has examples.\n\n")
	listing(b, "What there is to read:", root, (*cobra.Command).IsAdditionalHelpTopicCommand)
	fmt.Fprintf(b, "%s\n\n", exitCodes())
	optionList(b, "With every command:", root.PersistentFlags())
}

// listing lists those commands below one that are of a kind, under a heading.
func listing(b *strings.Builder, heading string, of *cobra.Command, is func(*cobra.Command) bool) {
	width := 0
	var list []*cobra.Command
	for _, c := range of.Commands() {
		if is(c) {
			list, width = append(list, c), max(width, len(contentName(c)))
		}
	}
	if len(list) == 0 {
		return
	}
	b.WriteString(heading + "\n")
	for _, c := range list {
		fmt.Fprintf(b, "  %-*s  %s\n", width, contentName(c), c.Short)
	}
	b.WriteString("\n")
}

// contentName is what is typed for a command, for a page the whole call.
func contentName(c *cobra.Command) string {
	if c.IsAdditionalHelpTopicCommand() {
		return "lendkeep help " + c.Name()
	}
	return c.Name()
}

func helpOf(b *strings.Builder, c *cobra.Command) {
	fmt.Fprintf(b, "%s\n\n%s.\n\n%s\n\n", usageOf(c), c.Short, c.Long)
	listing(b, "What it can do:", c, (*cobra.Command).IsAvailableCommand)
	if c.Example != "" {
		fmt.Fprintf(b, "For example:\n%s\n\n", strings.TrimRight(c.Example, "\n"))
	}
	optionList(b, "With it can stand:", c.NonInheritedFlags())
	b.WriteString("What stands with every command: lendkeep help.\n")
}

// optionList lists options under a heading, each with what it does on a line of its
// own.
func optionList(b *strings.Builder, heading string, flags *pflag.FlagSet) {
	if !flags.HasAvailableFlags() {
		return
	}
	b.WriteString(heading + "\n")
	flags.VisitAll(func(f *pflag.Flag) {
		if f.Hidden {
			return
		}
		value, usage := pflag.UnquoteUsage(f)
		name := "--" + f.Name
		if f.Shorthand != "" {
			name = "-" + f.Shorthand + ", " + name
		}
		if value != "" {
			name += " " + value
		}
		fmt.Fprintf(b, "  %s\n      %s%s\n", name, usage, byDefault(f))
	})
	b.WriteString("\n")
}

// byDefault says what an option is when it is not given, unless that is nothing.
func byDefault(f *pflag.Flag) string {
	if slices.Contains([]string{"", "false", "[]"}, f.DefValue) {
		return ""
	}
	return "; by default " + f.DefValue
}

// helpCommand shows the help of a command, or a page of the manual.
func helpCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "help NAME",
		Short:   "Show what a command does, or a page of the manual",
		Long:    "Shows what command NAME does and how it is called, or the page of the manual that\nis called NAME. Without NAME it lists both.",
		Example: "  lendkeep help apply\n  lendkeep help layout",
		Args:    cobra.ArbitraryArgs,

		DisableFlagsInUseLine: true, // cobra adds this command long after all others
		RunE: func(c *cobra.Command, arguments []string) error {
			found, rest, err := c.Root().Find(arguments)
			if err != nil || len(rest) > 0 {
				return noCommand(found, rest[0])
			}
			found.InitDefaultHelpFlag()
			return found.Help()
		},
	}
}
