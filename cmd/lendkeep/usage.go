package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// outspoken has a command and all below it tell of wrong calls in lendkeep's words,
// with what was most likely meant.
func outspoken(c *cobra.Command) {
	c.Args, c.DisableFlagsInUseLine = taking(c.Args), true
	for _, inner := range c.Commands() {
		outspoken(inner)
	}
}

// usageOf gives the line by which a command is called, with the options that it needs.
func usageOf(c *cobra.Command) string {
	line := c.UseLine()
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if len(f.Annotations[needed]) > 0 {
			line += " --" + f.Name + " " + valueOf(f)
		}
	})
	return line
}

// taking gives a check of arguments that says what is wanted instead.
func taking(wanted cobra.PositionalArgs) cobra.PositionalArgs {
	if wanted == nil {
		wanted = cobra.NoArgs
	}
	return func(c *cobra.Command, arguments []string) error {
		err := wanted(c, arguments)
		var said failure
		switch {
		case err == nil || errors.As(err, &said):
			return err
		case c.HasSubCommands():
			return noCommand(c, arguments[0])
		}
		takes := strings.Fields(c.Use)[1:]
		says := "no arguments"
		if len(takes) > 0 {
			says = plain.Count(len(takes), "argument") + ", " + strings.Join(takes, " ")
		}
		return fail(exitUsage, fmt.Sprintf("%s; %s --help has examples", usageOf(c), c.CommandPath()),
			"%s takes %s; here %s", c.CommandPath(), says, present(arguments))
	}
}

func present(arguments []string) string {
	switch len(arguments) {
	case 0:
		return "is none"
	case 1:
		return fmt.Sprintf("is %q", arguments[0])
	default:
		return "are " + plain.Names(arguments)
	}
}

// noCommand tells that there is no command of a name, and which was meant.
func noCommand(c *cobra.Command, name string) error {
	var names []string
	for _, inner := range c.Commands() {
		if inner.IsAvailableCommand() || inner.IsAdditionalHelpTopicCommand() {
			names = append(names, inner.Name())
		}
	}
	next := c.CommandPath() + " --help lists the commands"
	if near := spec.Nearest(name, names); near != "" {
		next = fmt.Sprintf("did you mean %s %s? %s", c.CommandPath(), near, next)
	}
	return fail(exitUsage, next, "%s has no command %q", c.CommandPath(), name)
}

// wrongOption tells what is wrong with an option.
func wrongOption(c *cobra.Command, err error) error {
	next := c.CommandPath() + " --help lists the options"
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var value *pflag.InvalidValueError
	var syntax *pflag.InvalidSyntaxError
	switch {
	case errors.As(err, &unknown) && unknown.GetSpecifiedShortnames() != "":
		return fail(exitUsage, next, "%s has no option -%s", c.CommandPath(), unknown.GetSpecifiedName())
	case errors.As(err, &unknown):
		if near := spec.Nearest(unknown.GetSpecifiedName(), optionNames(c)); near != "" {
			next = fmt.Sprintf("did you mean --%s? %s", near, next)
		}
		return fail(exitUsage, next, "%s has no option --%s", c.CommandPath(), unknown.GetSpecifiedName())
	case errors.As(err, &bare):
		return fail(exitUsage, next, "--%s needs a value: --%[1]s %s", bare.GetFlag().Name, valueOf(bare.GetFlag()))
	case errors.As(err, &value) && value.GetFlag().Value.Type() == "bool":
		return fail(exitUsage, next, "--%s takes no value", value.GetFlag().Name)
	case errors.As(err, &value):
		return fail(exitUsage, next, "--%s cannot be %q", value.GetFlag().Name, value.GetValue())
	case errors.As(err, &syntax):
		return fail(exitUsage, next, "%q is no option", syntax.GetSpecifiedFlag())
	default:
		return fail(exitUsage, next, "the options of %s cannot be read", c.CommandPath())
	}
}

// optionNames lists the names of a command's options.
func optionNames(c *cobra.Command) []string {
	var list []string
	add := func(f *pflag.Flag) {
		if !f.Hidden {
			list = append(list, f.Name)
		}
	}
	c.NonInheritedFlags().VisitAll(add)
	c.InheritedFlags().VisitAll(add)
	return list
}

// What cobra notes at options that exclude each other, and at those that must be
// given (cobra 1.10: flag_groups.go, bash_completions.go).
const (
	excludes = "cobra_annotation_mutually_exclusive"
	needed   = cobra.BashCompOneRequiredFlag
)

// toStandard notes that of an option - means standard output.
func toStandard(c *cobra.Command, name string) {
	_ = c.Flags().SetAnnotation(name, standardToo, []string{standard}) // the flag is there
}

const standardToo = "lendkeep_standard_output"

// aFileOf refuses - where it is not standard output: there it would be the name of a
// file, which nobody means.
func aFileOf(c *cobra.Command) (err error) {
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if f.Value.String() == standard && f.Annotations[standardToo] == nil && err == nil {
			err = fail(exitUsage, "name a "+strings.ToLower(valueOf(f))+"; a file that is called so is ./-", "--%s cannot be -", f.Name)
		}
	})
	return err
}

// together refuses options that exclude each other, and tells which are missing.
func together(c *cobra.Command) (err error) {
	c.Flags().VisitAll(func(f *pflag.Flag) {
		if err != nil {
			return
		}
		if len(f.Annotations[needed]) > 0 && !f.Changed {
			_, usage := pflag.UnquoteUsage(f)
			err = fail(exitUsage, fmt.Sprintf("%s; %s --help has examples", usageOf(c), c.CommandPath()),
				"%s needs --%s: %s", c.CommandPath(), f.Name, usage)
		}
		for _, group := range f.Annotations[excludes] {
			var given []string
			for _, name := range strings.Fields(group) {
				if c.Flags().Changed(name) {
					given = append(given, "--"+name)
				}
			}
			if len(given) > 1 && slices.Contains(given, "--"+f.Name) {
				err = fail(exitUsage, "give one of them alone", "%s cannot be given together", strings.Join(given, " and "))
			}
		}
	})
	return err
}
