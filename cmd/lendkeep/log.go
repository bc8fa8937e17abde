package main

import (
	"io"
	"os"
	"strconv"
	"time"

	"github.com/rs/zerolog"
)

// textLog writes log lines for people. To systemd's journal, which knows the
// time and has levels of its own, it gives lines in the journal's own form.
func textLog(w io.Writer) io.Writer {
	console := zerolog.ConsoleWriter{Out: w, NoColor: true, TimeFormat: stampForm, TimeLocation: time.UTC, FormatLevel: func(level any) string {
		word, _ := level.(string) // as --log-level has it; a line without one has none
		return word
	}}
	if os.Getenv("JOURNAL_STREAM") == "" { // systemd.exec(5): set where the journal reads
		return console
	}
	console.PartsExclude = []string{zerolog.TimestampFieldName, zerolog.LevelFieldName}
	return journalLog{w, console}
}

// journalLog begins each line with its level, as sd-daemon(3) has it.
type journalLog struct {
	out   io.Writer
	lines io.Writer
}

// Write implements io.Writer for lines without a level.
func (j journalLog) Write(p []byte) (int, error) { return j.lines.Write(p) }

// WriteLevel implements zerolog.LevelWriter.
func (j journalLog) WriteLevel(level zerolog.Level, p []byte) (int, error) {
	if _, err := io.WriteString(j.out, "<"+strconv.Itoa(priority(level))+">"); err != nil { // the start of a line
		return 0, err
	}
	return j.lines.Write(p)
}

// priority gives syslog(3)'s number of a level.
func priority(level zerolog.Level) int {
	switch {
	case level >= zerolog.ErrorLevel && level != zerolog.NoLevel:
		return 3
	case level == zerolog.WarnLevel:
		return 4
	case level == zerolog.DebugLevel:
		return 7
	default:
		return 6
	}
}
