package quirks_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The list of what the kernel's source says, which the rule base is held
// against, is made anew from the unpacked source of a kernel:
//
//	go test ./reconcile/quirks -run TestSourceIsRead -linux /usr/src/linux-source-6.1
//
// (Debian: linux-source-6.1.) It holds names and numbers alone.
var linux = flag.String("linux", "", "folder of the kernel's source, to make testdata/linux.txt anew")

const listed = "testdata/linux.txt"

// Where the kernel keeps what it knows of single devices.
const (
	quirksFile = "drivers/pci/quirks.c"
	vfioFile   = "drivers/vfio/pci/vfio_pci.c"
	coreFile   = "drivers/vfio/pci/vfio_pci_core.c"
)

var (
	comments  = regexp.MustCompile(`(?s)/\*.*?\*/`)
	defines   = regexp.MustCompile(`(?m)^#(?:.*\\\n)*.*\n`)
	macros    = regexp.MustCompile(`(?m)^#define\s+(PCI_(?:VENDOR|DEVICE|CLASS|BASE_CLASS)_\w+|CONNECTX_\w+)\s+(0x[0-9a-fA-F]+)`)
	declared  = regexp.MustCompile(`(?s)\n([A-Z_0-9]*(?:FIXUP|QUIRK)[A-Z_0-9]*)\s*\(([^;]*?)\)\s*;`)
	tables    = regexp.MustCompile(`(?s)\b(pci_dev_reset_methods|pci_dev_acs_enabled|pci_dev_acs_ops)\[\] = \{(.*?)\n\};`)
	rows      = regexp.MustCompile(`(?s)\{\s*(\w+),\s*(\w+),\s*([^}]*?),?\s*\}`)
	arrays    = regexp.MustCompile(`(?s)static (?:const )?u16 (\w+)\[\] = \{(.*?)\};`)
	functions = regexp.MustCompile(`(?s)\nstatic [a-z_ ]+?\**(\w+)\([^)]*\)\s*\{(.*?)\n\}`)
	labels    = regexp.MustCompile(`case\s+(\w+)(?:\s*\.\.\.\s*(\w+))?:`)
)

// switches are the functions that name devices by the cases of a switch.
var switches = []string{"vfio_pci_nointx", "vfio_pci_dev_in_denylist", "pci_quirk_cavium_acs_match",
	"pci_quirk_zhaoxin_pcie_ports_acs", "pci_quirk_intel_spt_pch_acs_match", "pci_quirk_wangxun_nic_acs"}

// TestSourceIsRead makes the list where a kernel's source is given, and else sees
// that it is there.
func TestSourceIsRead(t *testing.T) {
	if *linux == "" {
		require.Greater(t, len(outside(t)), 1000)
		return
	}
	s := source{dir: *linux, values: map[string]uint64{}}
	for _, name := range []string{"include/linux/pci_ids.h", quirksFile} {
		for _, m := range macros.FindAllStringSubmatch(s.text(t, name), -1) {
			s.values[m[1]], _ = strconv.ParseUint(m[2], 0, 32)
		}
	}
	s.walk(t)
	slices.Sort(s.lines)
	version := regexp.MustCompile(`VERSION = (\d+)\nPATCHLEVEL = (\d+)\nSUBLEVEL = (\d+)`).FindStringSubmatch(s.text(t, "Makefile"))
	require.NotNil(t, version)
	head := fmt.Sprintf("# Linux %s: %s, %s, %s: what, function, vendor, device, class\n", strings.Join(version[1:], "."), quirksFile, vfioFile, coreFile)
	require.NoError(t, os.WriteFile(listed, []byte(head+strings.Join(slices.Compact(s.lines), "\n")+"\n"), 0o644))
}

type source struct {
	dir    string
	values map[string]uint64
	lines  []string
}

func (s *source) text(t *testing.T, name string) string {
	content, err := os.ReadFile(filepath.Join(s.dir, name))
	require.NoError(t, err)
	return comments.ReplaceAllString(string(content), "")
}

func (s *source) walk(t *testing.T) {
	quirks := defines.ReplaceAllString(s.text(t, quirksFile), "")
	for _, m := range declared.FindAllStringSubmatch(quirks, -1) {
		s.fixup(m[1], words(m[2]))
	}
	for _, table := range tables.FindAllStringSubmatch(quirks, -1) {
		for _, row := range rows.FindAllStringSubmatch(table[2], -1) {
			for _, do := range words(row[3]) {
				_, do, _ = strings.Cut("="+do, "=")
				do = strings.TrimSpace(do[strings.LastIndex(do, "=")+1:])
				s.add(table[1], do, s.number(row[1]), s.number(row[2]), "")
			}
		}
	}
	for _, array := range arrays.FindAllStringSubmatch(quirks, -1) {
		for _, device := range words(array[2]) {
			s.add("array", array[1], "-", s.number(device), "")
		}
	}
	for _, text := range []string{quirks, s.text(t, vfioFile), s.text(t, coreFile)} {
		for _, f := range functions.FindAllStringSubmatch(text, -1) {
			if slices.Contains(switches, f[1]) {
				s.cases(f[1], f[2])
			}
		}
	}
}

// fixup notes a declaration: vendor, device, perhaps class and shift, function.
func (s *source) fixup(macro string, of []string) {
	switch function := of[len(of)-1]; len(of) {
	case 1: // a macro that has the rest in itself
		s.add("fixup", macro, "-", s.number(of[0]), "")
	case 3:
		s.add("fixup", function, s.number(of[0]), s.number(of[1]), "")
	case 5:
		s.add("fixup", function, s.number(of[0]), s.number(of[1]), s.number(of[2])+">>"+of[3])
	default:
		panic(macro + " " + strings.Join(of, ", "))
	}
}

// cases notes the labels of a switch; one that is a vendor holds for those below it.
func (s *source) cases(function, body string) {
	vendor := "-"
	for _, m := range labels.FindAllStringSubmatch(body, -1) {
		switch {
		case strings.HasPrefix(m[1], "PCI_VENDOR_ID_"):
			vendor = s.number(m[1])
		case m[2] == "":
			s.add("switch", function, vendor, s.number(m[1]), "")
		default:
			s.add("switch", function, vendor, s.number(m[1])+"-"+s.number(m[2]), "")
		}
	}
}

// number gives a number or the value of a macro, as the kernel prints them.
func (s *source) number(word string) string {
	if word == "PCI_ANY_ID" {
		return "any"
	}
	value, err := strconv.ParseUint(word, 0, 32)
	if err != nil {
		known := false
		if value, known = s.values[word]; !known {
			panic("the source names " + word + " without a number")
		}
	}
	return fmt.Sprintf("%04x", value)
}

func (s *source) add(what, function, vendor, device, class string) {
	s.lines = append(s.lines, strings.TrimSpace(strings.Join([]string{what, function, vendor, device, class}, " ")))
}

func words(list string) []string {
	fields := strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == '\n' })
	var trimmed []string
	for _, f := range fields {
		if f = strings.TrimSpace(f); f != "" {
			trimmed = append(trimmed, f)
		}
	}
	return trimmed
}

// outside gives the lines of the list.
func outside(t *testing.T) []string {
	content, err := os.ReadFile(listed)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(content)), "\n")
	return lines[1:]
}
