package main

import (
	"errors"
	"io/fs"
	"os"
	"regexp"
	"strings"
	"sync"
	"syscall"

	"github.com/spf13/cobra"

	"lendkeep/spec/plain"
)

// kept are the options that say which host a call is about: whoever repeats it, or
// goes on with another command, means the same host.
var kept = []string{"survey", "stand-in", "connect"}

// keptFor gives those options of a call that another command takes too.
func keptFor(c, other *cobra.Command) string {
	var made strings.Builder
	for _, name := range kept {
		if f := c.Flags().Lookup(name); f != nil && f.Changed && other.Flags().Lookup(name) != nil {
			made.WriteString(" --" + name + " " + plain.Quoted(f.Value.String()))
		}
	}
	return made.String()
}

// option is how an option is written, or standard input.
var option = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^--?[a-z-]*$`) })

// call is a command line, as a shell takes it.
type call string

// advice says what to do; its calls of lendkeep are those of a certain host.
type advice struct {
	text  string
	calls []call
}

func (a advice) String() string { return a.text }

// callsIn gives the command lines among what is printed.
func callsIn(values []any) []string {
	var list []string
	for _, value := range values {
		switch v := value.(type) {
		case call:
			list = append(list, plain.Shown(string(v)))
		case advice:
			for _, c := range v.calls {
				list = append(list, plain.Shown(string(c)))
			}
		}
	}
	return list
}

// calling writes another call of lendkeep about the same host.
func calling(c *cobra.Command, command string, arguments ...string) call {
	text := "lendkeep " + command
	for _, a := range arguments {
		if !option().MatchString(a) {
			a = plain.Quoted(a)
		}
		text += " " + a
	}
	if other, _, err := c.Root().Find([]string{command}); err == nil {
		text += keptFor(c, other)
	}
	return call(text)
}

// callOf finds calls of lendkeep in an advice.
var callOf = regexp.MustCompile(`\blendkeep [a-z]+\b`)

// advised gives every call of lendkeep in an advice the options of this call that
// say which host is meant. A survey is advised where there is no such host yet.
func advised(c *cobra.Command, text string) (a advice) {
	a.text = callOf.ReplaceAllStringFunc(text, func(found string) string {
		other, rest, err := c.Root().Find(strings.Fields(found)[1:])
		if err != nil || other == c.Root() || len(rest) > 0 || other.Name() == "survey" {
			return found
		}
		found += keptFor(c, other)
		a.calls = append(a.calls, call(found))
		return found
	})
	return a
}

// asRoot advises what to do where one of lendkeep's own files cannot be used.
func asRoot(err error) string {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return "make room on the disk that it is on"
	case os.Geteuid() == 0 && !errors.Is(err, fs.ErrPermission):
		return "see that what it names can be read and written"
	default:
		return "run lendkeep as root"
	}
}
