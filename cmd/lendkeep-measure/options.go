package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"lendkeep/providers/measure"
	"lendkeep/reconcile/speed"
)

// wanted is what the command line asks for.
type wanted struct {
	measure.Asked
	json     string // file for the result; empty: a table is shown
	progress string // file for what it is at; empty: that is told on standard error
}

// toStdout is the name of standard output where a file is wanted.
const toStdout = "-"

// What a command line may ask for instead.
var (
	errHelp    = errors.New("help")
	errVersion = errors.New("version")
)

// options lays down what can be asked for.
func options(w *wanted) (*pflag.FlagSet, map[string]*string) {
	f := pflag.NewFlagSet("lendkeep-measure", pflag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.SortFlags = false
	texts := map[string]*string{
		"folder": f.String("folder", "", "measure the drive of this `FOLDER`, with a file of the program's own"),
		"device": f.String("device", "", `measure a whole `+"`DEVICE`"+`, /dev/nvme0n1 or \\.\PhysicalDrive1: it is only read, and refused where it is in use`),
		"size":   f.String("size", "4GiB", "`SIZE` of the file, 64MiB or more; a tenth of the filesystem, 2 GiB at least, stays free"),
	}
	f.BoolVar(&w.Write, "write", false, "allow to write; a folder cannot be measured without")
	f.IntVar(&w.Runs, "runs", measure.UsualRuns, "`NUMBER` of runs of each series; two results can be told apart from 5 on")
	f.DurationVar(&w.Lasts, "lasts", measure.UsualLasting, "`TIME` that a run lasts; one that writes ends before, once it has written as much as the file has")
	f.StringVar(&w.Label, "label", "", "`NAME` of the result")
	f.StringVar(&w.json, "json", "", "write the result to this `FILE`, which must not be there yet, as lendkeep measure reads it; - is standard output")
	f.StringVar(&w.progress, "progress", "", "tell what it is doing in this `FILE`, which must not be there yet, instead of on standard error")
	f.BoolP("help", "h", false, "show this, and end")
	f.Bool("version", false, "tell the version, and end")
	return f, texts
}

// screenWidth is that of every terminal (the DEC VT100's, since when none was narrower).
const screenWidth = 80

func help() string {
	f, _ := options(new(wanted))
	return `lendkeep-measure measures a drive: sequential reads and writes of 1 MiB at depth 8,
random ones of 4 KiB at depth 1 and 32, past the system's caches, in turns.

Usage:
  lendkeep-measure --folder FOLDER --write [--json RESULT.json]
  lendkeep-measure --device DEVICE [--json RESULT.json]

Options:
` + f.FlagUsagesWrapped(screenWidth) + `
What it does is told on standard error. The file in the folder is gone when the
program ends, however that is.

Exit codes:
  0  measured
  1  it could not be measured
  2  wrong usage
`
}

// read reads a command line.
func read(arguments []string) (wanted, error) {
	var w wanted
	f, texts := options(&w)
	if err := f.Parse(arguments); err != nil {
		return w, wrongOption(err)
	}
	if asked, _ := f.GetBool("help"); asked || len(arguments) == 0 {
		return w, errHelp
	}
	if asked, _ := f.GetBool("version"); asked {
		return w, errVersion
	}
	if f.NArg() > 0 {
		return w, wrong(fmt.Sprintf("it takes no arguments; here is %q", f.Arg(0)))
	}
	folder, device := *texts["folder"], *texts["device"]
	switch {
	case (folder == "") == (device == ""):
		return w, wrong("want --folder or --device, one of them")
	case device != "" && (w.Write || f.Changed("size")):
		return w, wrong("--write and --size are for folders: a device is only read")
	case device != "":
		w.Form, w.Path = speed.Device, device
		return w, nil
	}
	w.Form, w.Path = speed.Folder, folder
	var err error
	if w.Bytes, err = measure.ParseSize(*texts["size"]); err != nil {
		return w, err
	}
	if !w.Write {
		return w, measure.Problem{Err: errors.New("nothing is written without --write; " + w.writes()), Next: "add --write"}
	}
	return w, nil
}

func wrong(what string) error {
	return measure.Problem{Err: errors.New(what), Next: "lendkeep-measure --help lists the options"}
}

// wrongOption says what is wrong with an option, without pflag's words for it.
func wrongOption(err error) error {
	var unknown *pflag.NotExistError
	var bare *pflag.ValueRequiredError
	var value *pflag.InvalidValueError
	switch {
	case errors.As(err, &unknown):
		return wrong(fmt.Sprintf("there is no option %q", unknown.GetSpecifiedName()))
	case errors.As(err, &bare):
		of, _ := pflag.UnquoteUsage(bare.GetFlag())
		return wrong(fmt.Sprintf("--%s needs a value: --%[1]s %s", bare.GetFlag().Name, of))
	case errors.As(err, &value):
		return wrong(fmt.Sprintf("--%s cannot be %q", value.GetFlag().Name, value.GetValue()))
	default:
		return wrong("the options cannot be read")
	}
}
