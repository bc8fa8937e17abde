package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"lendkeep/providers/firmware"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// What programs read of lendkeep is described in manual/json.md, field by field;
// a test holds the two together.

// shapeVersion is the version of all that --json prints. It changes when a field
// goes or changes its meaning; new fields do not change it.
const shapeVersion = 1

// version is the first field of whatever --json prints. It has no other value
// than this lendkeep's.
type version struct{}

func (version) MarshalJSON() ([]byte, error) { return json.Marshal(shapeVersion) }

func (version) UnmarshalJSON(content []byte) error {
	if string(content) != fmt.Sprint(shapeVersion) {
		return fmt.Errorf("it is of version %s, this lendkeep reads version %d", content, shapeVersion)
	}
	return nil
}

// printJSON writes a shape over several lines.
func printJSON(w io.Writer, value any) error { return writeJSON(w, value, " ") }

// printEvent writes a shape as one line.
func printEvent(w io.Writer, value any) error { return writeJSON(w, value, "") }

func writeJSON(w io.Writer, value any, indent string) error {
	var content bytes.Buffer
	encoder := json.NewEncoder(&content)
	encoder.SetIndent("", indent)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(value); err != nil {
		return err
	}
	_, err := w.Write(plain.JSON(content.Bytes()))
	return err
}

// checked is what check --json prints.
type checked struct {
	Version     version          `json:"version"`
	Diagnostics spec.Diagnostics `json:"diagnostics"`
	Findings    []assess.Finding `json:"findings"`
}

func checkedOf(diagnostics spec.Diagnostics, findings []assess.Finding) checked {
	return checked{Diagnostics: listed(diagnostics), Findings: listed(findings)}
}

// listed gives a list that is written as one, empty or not.
func listed[L ~[]T, T any](list L) L { return append(L{}, list...) }

// layoutAsJSON prints, instead of telling it, what is wrong with a layout; every
// other error is told as always.
func layoutAsJSON(w io.Writer, err error, asJSON bool) error {
	var diagnostics spec.Diagnostics
	if !asJSON || !errors.As(err, &diagnostics) {
		return err
	}
	if err := printJSON(w, checkedOf(diagnostics, nil)); err != nil {
		return err
	}
	return failure{code: exitUsage}
}

// standard names standard input where a file is read, standard output where one
// is written.
const standard = "-"

// writeOut writes a survey or an order to a file, or to standard output.
func writeOut(c *cobra.Command, name string, content []byte) error {
	if name != standard {
		return writeFile(name, content)
	}
	_, err := c.OutOrStdout().Write(content)
	return err
}

// readIn reads standard input, which somebody may have joined to anything.
func readIn(c *cobra.Command, most int64) ([]byte, error) {
	content, err := io.ReadAll(io.LimitReader(c.InOrStdin(), most+1))
	if err == nil && int64(len(content)) > most {
		err = fmt.Errorf("it is longer than %d bytes", most)
	}
	if err != nil {
		return nil, fmt.Errorf("read standard input: %w", err)
	}
	return slices.Clip(content), nil
}

// rehearsed is what rehearse --json prints.
type rehearsed struct {
	Version version `json:"version"`
	Code    string  `json:"order"`
	Host    string  `json:"host"`
	Good    bool    `json:"good"` // every case ended well
	rehearse.Report
}

// inspected is what shim inspect --json prints.
type inspected struct {
	Version version `json:"version"`
	File    string  `json:"file"`
	firmware.Report
}

// surveyed is what survey --json prints.
type surveyed struct {
	Version     version        `json:"version"`
	Controllers []verdictShape `json:"controllers"`
	Survey      facts.Survey   `json:"survey"` // as the survey file has it, by its own format
}

type verdictShape struct {
	Address   string   `json:"address"`
	What      string   `json:"what"`
	MayBeLent bool     `json:"may_be_lent"`
	With      []string `json:"with"` // addresses of the functions with which alone it may be
	Against   []string `json:"against"`
}

func surveyedOf(survey facts.Survey) surveyed {
	s := surveyed{Controllers: []verdictShape{}, Survey: survey.Whole()}
	ix := facts.NewIndex(&survey)
	outs := guard.Outs(ix)
	for _, v := range assess.Verdicts(ix) {
		s.Controllers = append(s.Controllers, verdictShape{v.Of.Address.String(), guard.Title(v.Of, outs), v.MayBeLent(), addressesOf(v.With), listed(v.Against)})
	}
	return s
}
