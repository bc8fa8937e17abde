// Command lendkeep lends whole PCI controllers of a virtualization host to its
// guests and brings them back. Start at newRoot; each command is one file.
package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/cmd/lendkeep/screen"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// Exit codes; exitMeanings says what each means.
const (
	exitDone       = 0
	exitFindings   = 1
	exitUsage      = 2
	exitRolledBack = 3
	exitPerson     = 4
	exitStale      = 5
	exitOtherCode  = 6
	exitDamaged    = 7
	exitLocked     = 8
	exitUnended    = 9
)

// exitMeanings is what help and the manual say of the exit codes.
var exitMeanings = [...]string{
	exitDone:       "done, or nothing to do",
	exitFindings:   "findings stop it, host and layout differ (status), or a case of a rehearsal did not end well",
	exitUsage:      "wrong usage or layout, something cannot be read, nothing to resume or undo",
	exitRolledBack: "the order failed and everything was undone",
	exitPerson:     "a person is needed: it could not be undone, or host or journal not be read",
	exitStale:      "the order is stale: the host, the layout or the survey has changed since",
	exitOtherCode:  "the approval code is another order's, or a serial to erase is missing or wrong",
	exitDamaged:    "the order file was changed or damaged",
	exitLocked:     "another lendkeep is changing this host",
	exitUnended:    "an earlier order has not ended: resume or rollback first",
}

// exitNote follows the codes.
const exitNote = `With 5 to 9 nothing was touched. The reason is on standard error as "lendkeep: ...",
what to do about it as "next: ...".`

// exitCodes gives the codes as help shows them.
func exitCodes() string {
	var list strings.Builder
	list.WriteString("Exit codes:\n")
	for code, meaning := range exitMeanings {
		fmt.Fprintf(&list, "  %d  %s\n", code, meaning)
	}
	return list.String() + exitNote
}

// failure is an error that ends lendkeep with its own exit code. Next says what
// to do about it.
type failure struct {
	code    int
	err     error
	next    string
	details []string // facts that err sums up, each on a line of its own
}

func (f failure) Error() string { return f.err.Error() }
func (f failure) Unwrap() error { return f.err }

func fail(code int, next, format string, values ...any) error {
	return failure{code: code, err: fmt.Errorf(format, values...), next: next}
}

func main() {
	// A root shell by plain su has a user's path, in which mkfs, blkid and wipefs
	// are not (su(1)). Where it cannot be set they are not found, which is told.
	_ = os.Setenv("PATH", strings.TrimPrefix(os.Getenv("PATH")+":/usr/local/sbin:/usr/sbin:/sbin", ":"))
	// A command ends before much of what it made is garbage; the watch, which stays,
	// collects as usual (watch.go).
	debug.SetGCPercent(400)
	ctx, stop := signal.NotifyContext(context.Background(), endings()...)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run is the whole command with its surroundings as parameters.
func run(ctx context.Context, arguments []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(arguments)
	root.SetIn(stdin)
	stdout, stderr = screen.New(stdout), screen.New(stderr)
	root.SetOut(stdout)
	root.SetErr(stderr)
	told := text{w: stderr} // nowhere is left to report to
	c, err := root.ExecuteContextC(ctx)
	var diagnostics spec.Diagnostics
	var f failure
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &diagnostics):
		_ = printDiagnostics(stderr, diagnostics) // nowhere is left to report to
		return exitUsage
	case errors.As(err, &f):
		if f.err != nil && f.err.Error() != "" {
			told.line("lendkeep: %s", oneLine(f.err))
		}
		for _, detail := range f.details {
			told.line("   %s", detail)
		}
		if f.next != "" {
			told.line("next: %s", advised(c, f.next))
		}
		return f.code
	default:
		told.line("lendkeep: %s", oneLine(err))
		return exitUsage
	}
}

// mostTold bounds what is told of an error, in bytes: it may quote a file that
// somebody else wrote.
const mostTold = 8 << 10

// oneLine joins the lines of several errors (errors.Join).
func oneLine(err error) string {
	return plain.Cut(strings.ReplaceAll(err.Error(), "\n", "; "), mostTold)
}

const about = `lendkeep lends whole PCI controllers of a Linux virtualization host, above all
NVMe drives, to its guests and brings them back. Write the wanted layout once;
lendkeep compares it with the host, writes an ordered plan with an undo for
every step, and carries out exactly that plan once you have approved it.`

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "lendkeep",
		Short:         "Lend whole PCI controllers to guests, and bring them back",
		Long:          about + "\n\n" + exitCodes(),
		SilenceErrors: true, SilenceUsage: true,
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
		Version: number,
	}
	root.SetVersionTemplate("lendkeep {{.Version}}\n")
	root.Flags().Bool("version", false, "tell lendkeep's version")
	format := root.PersistentFlags().String("log-format", "text", "how log lines on standard error look (`FORM`): text or json")
	level := root.PersistentFlags().String("log-level", "warn", "what is logged (`LEVEL`): debug, info, warn or error")
	colour := root.PersistentFlags().String("color", "auto", "draw severities and changes in colour besides, `WHEN`: auto (at a terminal, unless NO_COLOR is set), always or never")
	root.PersistentFlags().BoolP("help", "h", false, "show what the command does, and end")
	root.PersistentPreRunE = func(c *cobra.Command, _ []string) error {
		if err := cmp.Or(together(c), aFileOf(c)); err != nil {
			return err
		}
		for _, out := range []io.Writer{c.OutOrStdout(), c.ErrOrStderr()} {
			if err := screen.On(out).Colour(*colour); err != nil {
				return err
			}
		}
		return setLog(c, *format, *level)
	}
	root.CompletionOptions.DisableDefaultCmd = true
	root.AddCommand(surveyCommand(), adoptCommand(), checkCommand(), planCommand(), showCommand(), rehearseCommand(), applyCommand(),
		resumeCommand(), rollbackCommand(), statusCommand(), drawCommand(), watchCommand(), measureCommand(), shimCommand(), formatCommand(), versionCommand(), manCommand(), completionsCommand(), unguardCommand())
	for _, t := range topics() {
		root.AddCommand(t.page())
	}
	root.SetHelpFunc(help)
	root.SetHelpCommand(helpCommand())
	root.SetFlagErrorFunc(wrongOption)
	outspoken(root)
	completing(root)
	return root
}

func setLog(c *cobra.Command, format, level string) error {
	parsed, err := zerolog.ParseLevel(level)
	if err != nil || level == "" {
		return fmt.Errorf("--log-level %q: want debug, info, warn or error", level)
	}
	var out io.Writer
	switch format {
	case "json":
		out = plain.JSONLines{Out: c.ErrOrStderr()}
	case "text":
		out = textLog(plain.Lines{Out: screen.On(c.ErrOrStderr()).Lines()})
	default:
		return fmt.Errorf("--log-format %q: want text or json", format)
	}
	log := zerolog.New(out).Level(parsed).With().Timestamp().Logger()
	c.SetContext(log.WithContext(c.Context()))
	return nil
}
