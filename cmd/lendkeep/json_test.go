package main

import (
	"bytes"
	"encoding"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/providers/firmware"
	anew "lendkeep/reconcile/again"
	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/rehearse"
	"lendkeep/reconcile/since"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/strict"
	"lendkeep/reconcile/watch"
	"lendkeep/spec"
	"lendkeep/testdata/outside"
)

// sections are the headings under which manual/json.md describes each type.
var sections = map[reflect.Type]string{
	reflect.TypeFor[build]():            "version",
	reflect.TypeFor[adoptedShape]():     "adopt",
	reflect.TypeFor[surveyed]():         "survey",
	reflect.TypeFor[verdictShape]():     "verdict",
	reflect.TypeFor[changed]():          "since",
	reflect.TypeFor[since.Change]():     "change",
	reflect.TypeFor[since.Statement]():  "statement",
	reflect.TypeFor[checked]():          "check",
	reflect.TypeFor[spec.Diagnostic]():  "diagnostic",
	reflect.TypeFor[spec.Excerpt]():     "excerpt",
	reflect.TypeFor[spec.Place]():       "place",
	reflect.TypeFor[assess.Finding]():   "finding",
	reflect.TypeFor[assess.Cause]():     "cause",
	reflect.TypeFor[planned]():          "plan",
	reflect.TypeFor[orderShape]():       "order",
	reflect.TypeFor[stepShape]():        "step",
	reflect.TypeFor[detailShape]():      "detail",
	reflect.TypeFor[happened]():         "event",
	reflect.TypeFor[status]():           "status",
	reflect.TypeFor[controllerStatus](): "controller",
	reflect.TypeFor[shown]():            "history",
	reflect.TypeFor[watch.Loan]():       "loan",
	reflect.TypeFor[watch.Event]():      "record",
	reflect.TypeFor[guard.NotMade]():    "mount",
	reflect.TypeFor[pastOrders]():       "orders",
	reflect.TypeFor[pastOrder]():        "past order",
	reflect.TypeFor[rehearsed]():        "rehearse",
	reflect.TypeFor[rehearse.Case]():    "case",
	reflect.TypeFor[twinned]():          "twin",
	reflect.TypeFor[anew.Moved]():       "moved",
	reflect.TypeFor[anew.Outcome]():     "outcome",
	reflect.TypeFor[inspected]():        "inspect",
	reflect.TypeFor[firmware.Answer]():  "answer",
	reflect.TypeFor[resulted]():         "measure",
	reflect.TypeFor[comparedShape]():    "compare",
	reflect.TypeFor[columnShape]():      "measured",
	reflect.TypeFor[seriesShape]():      "series",
	reflect.TypeFor[cellShape]():        "cell",
	reflect.TypeFor[spreadShape]():      "spread",
	reflect.TypeFor[pairShape]():        "pair",
	reflect.TypeFor[ratioShape]():       "ratio",
	reflect.TypeFor[unlikeShape]():      "difference",
	reflect.TypeFor[alikeShape]():       "likeness",
	reflect.TypeFor[lossShape]():        "loss",
	reflect.TypeFor[lossRowShape]():     "lost",
}

// stated are the fields under each heading, as "name kind, may be missing".
func stated(t *testing.T, text string) map[string][]string {
	made := map[string][]string{}
	section := ""
	for line := range strings.Lines(text) {
		if head, ok := strings.CutPrefix(line, "### "); ok {
			section = strings.TrimSpace(head)
			made[section] = []string{}
		}
		if m := regexp.MustCompile("^`([a-z0-9_]+)` (.+)\n$").FindStringSubmatch(line); m != nil && section != "" {
			made[section] = append(made[section], m[1]+" "+m[2])
		}
	}
	require.NotEmpty(t, made)
	return made
}

// fieldsWritten are the fields that a type has, in the same words.
func fieldsWritten(of reflect.Type) []string {
	list := []string{}
	for i := range of.NumField() {
		f := of.Field(i)
		name, options, tagged := strings.Cut(f.Tag.Get("json"), ",")
		if !f.IsExported() {
			continue
		}
		if f.Anonymous && name == "" {
			list = append(list, fieldsWritten(f.Type)...)
			continue
		}
		line := name + " " + kindOfShape(f.Type)
		if tagged && strings.HasPrefix(options, "omit") {
			line += ", may be missing"
		}
		list = append(list, line)
	}
	return list
}

func kindOfShape(of reflect.Type) string {
	switch {
	case of == reflect.TypeFor[time.Time]():
		return "time"
	case of == reflect.TypeFor[version]():
		return "number"
	case of == reflect.TypeFor[facts.Survey]():
		return "survey file"
	case of == reflect.TypeFor[speed.Result]():
		return "result file"
	case of.Implements(reflect.TypeFor[encoding.TextMarshaler]()):
		return "text"
	}
	switch of.Kind() {
	case reflect.Pointer:
		return kindOfShape(of.Elem())
	case reflect.Slice:
		return "list of " + kindOfShape(of.Elem())
	case reflect.Struct:
		return sections[of]
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "text"
	default:
		return "number"
	}
}

// The manual has every field of what is printed, and no other.
func TestShapesAreDescribed(t *testing.T) {
	described := stated(t, shapes)
	for of, section := range sections {
		assert.Equal(t, fieldsWritten(of), described[section], section)
		delete(described, section)
	}
	assert.Empty(t, described, "nothing is printed like that")
}

// Every --json has its section, which says which command it is of.
func TestEveryJSONIsDescribed(t *testing.T) {
	walk(newRoot(), func(c *cobra.Command) {
		if c.Flags().Lookup("json") != nil {
			assert.Contains(t, strings.Join(strings.Fields(shapes), " "), "`"+c.CommandPath()+" --json`")
		}
	})
}

// Whatever is printed is read back strictly: no field that is not described, none
// missing that is always there.
func TestShapesAreReadBack(t *testing.T) {
	folder, _ := standIn(t)
	survey, layout := filepath.Join(folder, "survey.json"), "../../examples/larch"
	day, code := dayOrder(t, folder)
	see := func(want int, into any, arguments ...string) {
		t.Helper()
		out := asPrinted(t, want, append(arguments, "--json")...)
		require.NoError(t, strict.ReadWhole(out, facts.MaxBytes, into), "%s", out)
	}
	lines := func(into func() any, arguments ...string) {
		t.Helper()
		out := asPrinted(t, exitDone, append(arguments, "--json")...)
		require.NotEmpty(t, out)
		for line := range bytes.Lines(out) {
			require.NoError(t, strict.ReadWhole(line, facts.MaxBytes, into()), "%s", line)
		}
	}
	event, record := func() any { return &happened{} }, func() any { return &watch.Event{} }

	see(exitDone, &build{}, "version")
	see(exitDone, &surveyed{}, "survey", "--stand-in", folder)
	see(exitDone, &changed{}, "survey", "--stand-in", folder, "--since", survey)
	var first adoptedShape
	see(exitDone, &first, "adopt", "-o", filepath.Join(t.TempDir(), "first"), "--stand-in", folder)
	assert.Equal(t, []string{"controllers.hcl", "guests.hcl", "host.hcl"}, first.Files)
	see(exitDone, &checked{}, "check", layout, "--stand-in", folder)
	broken := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(broken, "larch.hcl"), []byte("host {}\nhost \"a\" { libvrt = 1 }\n"), 0o600))
	var wrong checked
	see(exitUsage, &wrong, "check", broken, "--survey", survey)
	assert.NotEmpty(t, wrong.Diagnostics)
	var plan planned
	see(exitDone, &plan, "plan", layout, "--shift", "day", "--stand-in", folder, "--xml")
	assert.Equal(t, code, plan.Order.Code)
	var again planned
	see(exitDone, &again, "show", day, "--xml")
	assert.Equal(t, plan.Order, again.Order)
	see(exitDone, &rehearsed{}, "rehearse", day, "--survey", survey)
	lines(event, "apply", day, "--approve", code, "--stand-in", folder)
	see(exitDone, &status{}, "status", layout, "--stand-in", folder)
	lines(record, "watch", "--once", "--stand-in", folder)
	see(exitDone, &shown{}, "status", "--history", "--stand-in", folder)
	cutOff(t, folder, 8)
	lines(event, "resume", "--stand-in", folder)
	lines(event, "rollback", "--stand-in", folder)
	var past pastOrders
	see(exitDone, &past, "status", "--orders", "--stand-in", folder)
	assert.Equal(t, []string{code}, []string{past.Orders[0].Code})
	image := filepath.Join(ovmf, "OVMF_CODE_4M.fd")
	if _, err := os.Stat(image); err != nil {
		outside.Missing(t, "no firmware image (Debian: ovmf): "+err.Error())
	}
	see(exitDone, &inspected{}, "shim", "inspect", image)
}

// cutOff leaves the first records of the newest journal, as a crash does.
func cutOff(t *testing.T, folder string, records int) {
	name := filepath.Join(folder, "journals", first)
	list, err := journal.ReadFile(name)
	require.NoError(t, err)
	require.NoError(t, os.Remove(name))
	j, err := journal.Create(name)
	require.NoError(t, err)
	for _, r := range list[:records] {
		require.NoError(t, j.Append(r))
	}
	require.NoError(t, j.Close())
}

// asPrinted runs a command that ends with a code and tells nothing besides.
func asPrinted(t *testing.T, want int, arguments ...string) []byte {
	var stdout, stderr bytes.Buffer
	require.Equal(t, want, run(t.Context(), arguments, strings.NewReader(""), &stdout, &stderr), "%v\n%s\n%s", arguments, stdout.String(), stderr.String())
	for line := range strings.Lines(stderr.String()) {
		assert.Contains(t, line, " warn ", "%v", arguments)
	}
	return stdout.Bytes()
}

// A program that reads another version is told so.
func TestVersionOfShapes(t *testing.T) {
	content, err := json.Marshal(pastOrders{})
	require.NoError(t, err)
	assert.JSONEq(t, `{"version": 1, "orders": null}`, string(content))
	var v pastOrders
	assert.ErrorContains(t, json.Unmarshal([]byte(`{"version": 2, "orders": []}`), &v), "it is of version 2, this lendkeep reads version 1")
}

// What a survey file really holds is what its page says.
func TestSurveyFileIsAsDescribed(t *testing.T) {
	described := stated(t, facts.Manual())
	hosts, err := filepath.Glob("../../testdata/hosts/*.txtar")
	require.NoError(t, err)
	for _, host := range hosts {
		if strings.Contains(host, "overlay") {
			continue
		}
		var value any
		require.NoError(t, json.Unmarshal([]byte(must(t, "survey", "--root", host, "-o", "-")), &value))
		isAsDescribed(t, described, "survey", "survey", value)
	}
	fewer := stated(t, facts.Manual())
	fewer["survey"] = fewer["survey"][1:]
	var told failures
	isAsDescribed(&told, fewer, "survey", "survey", map[string]any{"format": 1.0})
	assert.NotZero(t, told, "a field that is not described is found")
}

// failures counts what a test would have failed for.
type failures int

// Errorf implements assert.TestingT.
func (f *failures) Errorf(string, ...any) { *f++ }

// isAsDescribed holds a value against the kind that a page gives it.
func isAsDescribed(t assert.TestingT, described map[string][]string, at, kind string, value any) {
	simple := map[string]string{"text": "string", "time": "string", "number": "float64", "true or false": "bool"}
	if inner, ok := strings.CutPrefix(kind, "list of "); ok {
		list, isList := value.([]any)
		assert.True(t, isList, at)
		for _, v := range list {
			isAsDescribed(t, described, at, inner, v)
		}
		return
	}
	if want, ok := simple[kind]; ok {
		assert.Equal(t, want, fmt.Sprintf("%T", value), at)
		return
	}
	have, isObject := value.(map[string]any)
	if !assert.True(t, isObject, "%s is no %s", at, kind) || !assert.Contains(t, described, kind, at) {
		return
	}
	seen := 0
	for _, line := range described[kind] {
		name, rest, _ := strings.Cut(line, " ")
		inner, optional := strings.CutSuffix(rest, ", may be missing")
		v, there := have[name]
		assert.True(t, there || optional, "%s lacks %s", at, name)
		if there {
			seen++
			isAsDescribed(t, described, at+"."+name, inner, v)
		}
	}
	assert.Len(t, have, seen, "%s has what is not described", at)
}
