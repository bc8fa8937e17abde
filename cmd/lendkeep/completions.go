package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lendkeep/providers/files"
	"lendkeep/reconcile/assess"
	"lendkeep/spec"
)

// completionsCommand is for make alone: it writes what has shells complete
// lendkeep's command lines, each file by the name by which its shell finds it.
func completionsCommand() *cobra.Command {
	return &cobra.Command{
		Use:    "completions FOLDER",
		Short:  "Write the completions of bash, zsh and fish into a folder",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, arguments []string) error {
			var bash, zsh, fish bytes.Buffer
			err := c.Root().GenBashCompletionV2(&bash, true)
			if err == nil {
				err = c.Root().GenZshCompletion(&zsh)
			}
			if err == nil {
				err = c.Root().GenFishCompletion(&fish, true)
			}
			if err == nil {
				err = os.MkdirAll(arguments[0], 0o755)
			}
			for name, content := range map[string][]byte{"lendkeep": bash.Bytes(), "_lendkeep": zsh.Bytes(), "lendkeep.fish": fish.Bytes()} {
				if err == nil {
					err = files.Write(filepath.Join(arguments[0], name), content, 0o644)
				}
			}
			if err != nil {
				return fail(exitUsage, "", "write completions: %w", err)
			}
			return nil
		},
	}
}

// completes says for the word that stands for a value in the help what a shell
// offers in its place. What is typed to show that it was read, a code or a serial,
// is not offered.
var completes = map[string]cobra.CompletionFunc{
	"LAYOUT": folder, "FOLDER": folder,
	"FILE": file, "ORDER": file, "DRIVE": file,
	"DIRECTORY": file, // or an archive
	"SHIFT":     shifts, "GUEST": guests,
	"WORD": anyWord,
	"FORM": oneOf("text", "json"), "LEVEL": oneOf("debug", "info", "warn", "error"), "KIND": oneOf("rom", "disk"), "WHEN": oneOf("auto", "always", "never"),
	"CODE": cobra.NoFileCompletions, "SERIAL": cobra.NoFileCompletions, "URI": cobra.NoFileCompletions,
	"ID": cobra.NoFileCompletions, "PATH": cobra.NoFileCompletions, // of the guest's own
	"CONTROLLER": controllers, "NAME": cobra.NoFileCompletions, "SIZE": cobra.NoFileCompletions, "NUMBER": cobra.NoFileCompletions, "TIME": cobra.NoFileCompletions,
}

// completing has every command and option complete what its word means.
func completing(c *cobra.Command) {
	c.ValidArgsFunction = argument
	c.LocalFlags().VisitAll(func(f *pflag.Flag) {
		if offer, known := completes[valueOf(f)]; known {
			_ = c.RegisterFlagCompletionFunc(f.Name, offer) // each flag is visited once
		}
	})
	for _, inner := range c.Commands() {
		completing(inner)
	}
}

// valueOf gives the word that stands for an option's value; "" for a switch.
func valueOf(f *pflag.Flag) string {
	word, _ := pflag.UnquoteUsage(f)
	return word
}

// argument completes the next argument by its word in the command's usage.
func argument(c *cobra.Command, given []string, begun string) ([]string, cobra.ShellCompDirective) {
	words := strings.Fields(c.Use)[1:]
	if len(given) >= len(words) {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	if offer, known := completes[strings.Trim(words[len(given)], "[]")]; known {
		return offer(c, given, begun)
	}
	return nil, cobra.ShellCompDirectiveNoFileComp
}

func folder(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveFilterDirs
}

func file(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveDefault
}

func oneOf(list ...string) cobra.CompletionFunc {
	return func(_ *cobra.Command, _ []string, begun string) ([]string, cobra.ShellCompDirective) {
		return offered(list, begun), cobra.ShellCompDirectiveNoFileComp
	}
}

func anyWord(_ *cobra.Command, _ []string, begun string) ([]string, cobra.ShellCompDirective) {
	return offered(slices.Concat(assess.Names(), spec.Words()), begun), cobra.ShellCompDirectiveNoFileComp
}

// shifts offers those of the layout on the command line.
func shifts(_ *cobra.Command, given []string, begun string) ([]string, cobra.ShellCompDirective) {
	var names []string
	for _, layout := range layouts(given) {
		names = append(names, spec.Names(layout.Shifts)...)
	}
	return offered(names, begun), cobra.ShellCompDirectiveNoFileComp
}

// layouts loads those that are named, as far as they can be.
func layouts(given []string) []*spec.Layout {
	var list []*spec.Layout
	for _, dir := range given {
		if layout, _ := spec.Load(dir, anyHost); layout != nil {
			list = append(list, layout)
		}
	}
	return list
}

// controllers offers those of the layout on the command line.
func controllers(_ *cobra.Command, given []string, begun string) ([]string, cobra.ShellCompDirective) {
	var names []string
	for _, layout := range layouts(given) {
		names = append(names, spec.Names(layout.Controllers)...)
	}
	return offered(names, begun), cobra.ShellCompDirectiveNoFileComp
}

// guests offers those of the layout on the command line, or those in which the order
// there has steps by hand.
func guests(_ *cobra.Command, given []string, begun string) ([]string, cobra.ShellCompDirective) {
	var names []string
	for _, layout := range layouts(given) {
		names = append(names, spec.Names(layout.Guests)...)
	}
	for _, name := range given {
		if sealed, err := openOrder(name); err == nil {
			names = append(names, sealed.Order.ByHand()...)
		}
	}
	return offered(names, begun), cobra.ShellCompDirectiveNoFileComp
}

// bare are names that mean nothing to a shell, and do nothing to a terminal. Others
// come from files that somebody else wrote, and are left to be typed.
var bare = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[\pL\pN_][\pL\pN_.+-]*$`) })

// offered gives the names that begin so and that a shell may put into a command line.
func offered(names []string, begun string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool { return !bare().MatchString(name) || !strings.HasPrefix(name, begun) })
}
