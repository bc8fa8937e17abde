package spec

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// forms are the forms of all blocks but values, whose attributes are the
// operator's own.
var forms = []*form{hostForm, controllerForm, nvmeForm, pciForm, virtualForm, driveForm, partitionForm, returnForm, mountForm,
	shimForm, guestForm, cpuForm, memoryForm, stopForm, diskForm, networkForm, shiftForm}

// attributeLine begins the entry of an attribute.
var attributeLine = regexp.MustCompile("(?m)^`([a-z_]+)` = (.*)$")

// The manual has a section for every block that a layout may hold, at whatever
// depth, and no other; in it an entry for every attribute, and no other.
func TestManualIsTheLanguage(t *testing.T) {
	blocks := []string{"values"}
	held := slices.Clone(layoutForm.many)
	for _, f := range forms {
		blocks = append(blocks, f.kind)
		held = slices.Concat(held, f.once, f.many)
	}
	for _, kind := range held {
		assert.Contains(t, blocks, kind, "a block without a form in this test's list")
	}
	var titles []string
	for _, s := range sections() {
		titles = append(titles, s.title)
	}
	assert.ElementsMatch(t, blocks, titles)

	for _, f := range forms {
		var stated, needed []string
		for _, m := range attributeLine.FindAllStringSubmatch(textOf(t, f.kind), -1) {
			stated = append(stated, m[1])
			if strings.HasSuffix(m[2], ", needed") {
				needed = append(needed, m[1])
			}
		}
		assert.ElementsMatch(t, slices.Concat(f.needs, f.allows), stated, f.kind)
		assert.ElementsMatch(t, f.needs, needed, "needed in %s", f.kind)
	}
}

func textOf(t *testing.T, block string) string {
	for _, s := range sections() {
		if s.title == block {
			return s.text
		}
	}
	require.Fail(t, "no section", block)
	return ""
}

// What a block holds is said by one of its two sides.
func TestManualSaysWhereBlocksStand(t *testing.T) {
	for _, f := range forms {
		for _, inner := range slices.Concat(f.once, f.many) {
			assert.Contains(t, textOf(t, f.kind), "`"+inner+"`", "block %s of %s", inner, f.kind)
			assert.Regexp(t, "^In a "+f.kind+": ", textOf(t, inner))
		}
	}
}

func TestManualTellsDefaults(t *testing.T) {
	for place, value := range map[[2]string]string{
		{"return", "within"}:     returnWithin.String(),
		{"return", "on_failure"}: onFailure,
		{"host", "libvirt"}:      ownLibvirt,
	} {
		line, _, _ := strings.Cut(section{text: textOf(t, place[0])}.entry(place[1]), "\n")
		assert.Contains(t, line, "`\""+value+"\"` when not stated", "%v", place)
	}
	assert.Equal(t, "1m0s", stopWithin.String())
	assert.Contains(t, textOf(t, "stop"), `Without the block: `+"`\"60s\"`")
}

func TestManualNamesEveryFunctionAndFact(t *testing.T) {
	_, expressions, ok := strings.Cut(manual, "\n## Expressions\n")
	require.True(t, ok)
	_, listed, ok := strings.Cut(expressions, "\nFunctions:\n")
	require.True(t, ok)
	var named []string
	for _, m := range regexp.MustCompile("`([a-z]+)[`(]").FindAllStringSubmatch(listed, -1) {
		named = append(named, m[1])
	}
	slices.Sort(named)
	var known []string
	for name := range functions {
		known = append(known, name)
	}
	assert.ElementsMatch(t, known, slices.Compact(named))

	var facts []string
	for _, m := range regexp.MustCompile("(?m)^`survey\\.([a-z]+)`$").FindAllStringSubmatch(expressions, -1) {
		facts = append(facts, m[1])
	}
	assert.ElementsMatch(t, []string{factCPUs, factHost, factMemory}, facts)
}

// The examples together are a layout, and show every block.
func TestManualsExamplesLoad(t *testing.T) {
	var layout strings.Builder
	for _, s := range sections() {
		for line := range strings.Lines(s.text) {
			if code, ok := strings.CutPrefix(line, "    "); ok || strings.TrimSpace(line) == "" {
				layout.WriteString(strings.TrimRight(code, "\n") + "\n")
			}
		}
	}
	loaded, ds := LoadSources("", []File{{Name: "manual.hcl", Bytes: []byte(layout.String())}},
		Given{MemoryBytes: 4_063_232_000, CPUs: 2, HostName: "larch", Known: true})
	require.Empty(t, ds)
	require.NotNil(t, loaded)
	for _, f := range forms {
		assert.Regexp(t, `(?m)^\s*`+f.kind+` ("|\{)`, layout.String())
	}
}

func TestExplain(t *testing.T) {
	for word, tells := range map[string][]string{
		"return":     {"Block return", "how the host takes it back", "`on_failure`"},
		"on_failure": {"Attribute of block return", "an alarm is raised"},
		"within":     {"Attribute of block return", "Attribute of block stop"},
		"format":     {"Attribute of block partition", "Attribute of block disk"},
		"network":    {"Block network", "A network of libvirt's."},
		"shift":      {"Block shift"},
	} {
		text, ok := Explain(word)
		require.True(t, ok, word)
		for _, told := range tells {
			assert.Contains(t, text, told, word)
		}
		assert.NotContains(t, text, "\n## ", word)
	}
	for _, word := range []string{"", "returns", "Blocks", "survey.memory", "`within"} {
		_, ok := Explain(word)
		assert.False(t, ok, word)
	}
}
