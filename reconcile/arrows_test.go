package reconcile_test

import (
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// allowed says which packages of the project each room may import. Imports run
// one way: the map is the architecture, and go list is asked, not hoped for.
var allowed = map[string][]string{
	"spec":                        {"spec/plain", "spec/pci", "spec/place", "spec/uri"},
	"spec/plain":                  {},
	"spec/pci":                    {},
	"spec/place":                  {},
	"spec/uri":                    {},
	"reconcile/facts":             {"spec/plain", "spec/pci", "reconcile/strict", "reconcile/fields"},
	"reconcile/definition":        {"spec/plain", "spec/pci", "spec/place", "reconcile/facts"},
	"reconcile/boots":             {"spec/plain", "spec/pci", "reconcile/facts"},
	"reconcile/quirks":            {"spec/pci", "reconcile/facts"},
	"reconcile/assess":            {"spec", "reconcile/facts", "reconcile/definition", "reconcile/quirks"},
	"reconcile/guard":             {"spec/plain", "spec/place", "spec/uri", "reconcile/strict", "reconcile/facts"},
	"reconcile/watch":             {"spec/plain", "reconcile/strict", "reconcile/facts", "reconcile/guard"},
	"reconcile/step":              {"spec", "reconcile/strict", "reconcile/facts", "reconcile/definition", "reconcile/guard", "reconcile/watch"},
	"reconcile/order":             {"spec", "reconcile/strict", "reconcile/facts", "reconcile/definition", "reconcile/assess", "reconcile/guard", "reconcile/step", "reconcile/watch"},
	"reconcile/adopt":             {"spec", "reconcile/facts", "reconcile/definition", "reconcile/assess", "reconcile/step", "reconcile/order"},
	"reconcile/carry":             {"spec", "reconcile/strict", "reconcile/facts", "reconcile/definition", "reconcile/assess", "reconcile/guard", "reconcile/step", "reconcile/order"},
	"reconcile/since":             {"spec", "reconcile/facts", "reconcile/definition", "reconcile/assess"},
	"reconcile/page":              {"spec", "reconcile/again", "reconcile/facts", "reconcile/definition", "reconcile/assess", "reconcile/guard", "reconcile/step", "reconcile/order", "reconcile/speed", "reconcile/watch"},
	"reconcile/rehearse":          {"reconcile"},
	"reconcile/twin":              {"reconcile/facts", "reconcile/definition", "reconcile/guard"},
	"reconcile/again":             {"spec", "reconcile/facts", "reconcile/definition", "reconcile/guard", "reconcile/assess", "reconcile/step", "reconcile/order", "reconcile/twin"},
	"reconcile/fault":             {},
	"reconcile/explore":           {},
	"reconcile/journal":           {},
	"reconcile/speed":             {"spec/plain", "reconcile/strict", "reconcile/fields", "reconcile/facts"},
	"reconcile/strict":            {},
	"reconcile/fields":            {"spec/plain"},
	"reconcile/witness":           {"reconcile/facts", "reconcile/definition", "reconcile/speed"},
	"reconcile/invented":          {"spec", "reconcile/facts", "reconcile/definition", "reconcile/guard", "reconcile/speed", "reconcile/step"},
	"providers/files":             {},
	"providers/holding":           {"reconcile"},
	"providers/formats/guid":      {},
	"providers/formats/qcow2":     {},
	"providers/formats/ext":       {"providers/formats/runs"},
	"providers/formats/xfs":       {"providers/formats/runs"},
	"providers/formats/runs":      {},
	"providers/formats/blocks":    {"providers/formats/runs"},
	"providers/formats/initramfs": {},
	"providers/formats/fat":       {},
	"providers/formats/ntfs":      {},
	"providers/formats/hive":      {},
	"providers/formats/esp":       {"providers/formats/fat"},
	"providers/formats/table":     {"reconcile/facts", "providers/formats/guid"},
	"providers/archive":           {"providers/files"},
	"providers/sysfs":             {"spec", "reconcile", "providers/archive", "providers/files", "providers/formats", "providers/holding", "providers/program"},
	"providers/drive":             {"spec", "reconcile", "providers/files", "providers/formats", "providers/holding", "providers/program", "providers/drive/image", "providers/drive/copy", "providers/drive/content", "providers/drive/probe", "providers/drive/windows"},
	"providers/mounting":          {"providers/program"},
	"providers/drive/system":      {"reconcile", "providers/drive/windows", "providers/drive/linux"},
	"providers/drive/windows":     {"reconcile", "providers/formats"},
	"providers/drive/linux":       {"spec/plain", "reconcile", "providers/formats"},
	"providers/drive/probe":       {"providers/program"},
	"providers/drive/content":     {"reconcile", "providers/formats"},
	"providers/drive/image":       {"providers/formats", "providers/files"},
	"providers/drive/copy":        {"reconcile", "providers/drive/image"},
	"providers/firmware":          {"spec", "reconcile", "providers/files", "providers/formats"},
	"providers/emulated":          {"providers/emulated"},
	"providers/emulated/agent":    {"providers/emulated/wire"},
	"providers/emulated/image":    {},
	"providers/emulated/machine":  {},
	"providers/emulated/parts":    {"spec/plain", "reconcile/facts", "reconcile/twin", "providers/emulated/machine"},
	"providers/emulated/wire":     {},
	"providers/hook":              {"spec", "reconcile", "providers/files"},
	"providers/person":            {"spec", "reconcile", "providers/files"},
	"providers/program":           {},
	"providers/chart":             {"spec", "reconcile"},
	"providers/agent":             {"reconcile/strict", "reconcile/facts", "reconcile/boots", "providers/formats/initramfs"},
	"providers/alarm":             {"providers/program"},
	"providers/systemd":           {"spec", "reconcile", "providers/files", "providers/program"},
	"providers/history":           {"spec", "reconcile", "providers/files"},
	"providers/page":              {"spec", "reconcile"},
	"providers/memory":            {"spec", "reconcile", "providers/files"},
	"providers/measure":           {"spec/plain", "reconcile/facts", "reconcile/speed"},
	"providers/libvirt":           {"spec", "reconcile", "providers/libvirt/dump"},
	"providers/libvirt/dump":      {"spec", "reconcile"},
	"cmd/lendkeep-hook":           {"spec", "reconcile", "providers/sysfs", "providers/mounting", "providers/drive/content", "providers/holding", "providers/history", "providers/hook", "providers/files"},
	"cmd/lendkeep-measure":        {"spec/plain", "reconcile/facts", "reconcile/speed", "providers/measure"},
	"cmd/lendkeep/screen":         {"spec/plain"},
	"cmd/lendkeep":                {"spec", "reconcile", "providers", "cmd/lendkeep/screen"},
}

func TestImportsRunOneWay(t *testing.T) {
	for _, line := range list(t, "{{.ImportPath}} {{join .Imports \" \"}}", "lendkeep/...") {
		fields := strings.Fields(line)
		room := strings.TrimPrefix(fields[0], "lendkeep/")
		if room == "reconcile" {
			continue // this test
		}
		rooms, known := allowed[room]
		if !assert.True(t, known, "package %s has no place in the map of imports", room) {
			continue
		}
		for _, imported := range fields[1:] {
			other, ours := strings.CutPrefix(imported, "lendkeep/")
			if ours {
				assert.True(t, within(other, rooms), "%s must not import %s", room, other)
			}
		}
	}
}

func within(name string, rooms []string) bool {
	return slices.ContainsFunc(rooms, func(room string) bool { return name == room || strings.HasPrefix(name, room+"/") })
}

// knowLayouts lists the rooms that may reach the layout language at whatever
// depth. The guard, which runs as root at every start, is none of them.
var knowLayouts = []string{"spec", "reconcile", "reconcile/assess", "reconcile/step", "reconcile/order", "reconcile/adopt", "reconcile/carry", "reconcile/since", "reconcile/page", "reconcile/invented", "reconcile/rehearse", "reconcile/again",
	"reconcile/explore", "providers/memory", "providers/person", "providers/page", "cmd/lendkeep"}

// What a room must never reach, at whatever depth.
func TestSomeThingsStayInTheirRooms(t *testing.T) {
	for _, line := range list(t, "{{.ImportPath}} {{join .Deps \" \"}}", "lendkeep/...") {
		fields := strings.Fields(line)
		room, deps := strings.TrimPrefix(fields[0], "lendkeep/"), fields[1:]
		if !slices.Contains(knowLayouts, room) {
			assert.NotContains(t, deps, "lendkeep/spec", "%s: layouts, and with them HCL and cty, stay out of it", room)
		}
		if room != "spec" {
			for _, dep := range imports(t, fields[0]) {
				assert.NotContains(t, dep, "hashicorp/hcl", "%s: HCL stays in spec", room)
				assert.NotContains(t, dep, "zclconf/go-cty", "%s: cty stays in spec", room)
			}
		}
		if room == "cmd/lendkeep-hook" {
			assert.NotContains(t, deps, "lendkeep/providers/drive", "what writes drives, and looks into installed systems, stays out of the guard")
		}
		if room != "providers/libvirt" && room != "cmd/lendkeep" {
			assert.NotContains(t, deps, "libvirt.org/go/libvirt", "%s: the binding stays in providers/libvirt", room)
		}
	}
}

// The core computes from values: no files, processes or clocks but the
// journal's file.
func TestTheCoreTouchesNothing(t *testing.T) {
	for _, line := range list(t, "{{.ImportPath}}", "lendkeep/reconcile/...") {
		room := strings.TrimPrefix(line, "lendkeep/")
		if room == "reconcile/journal" || room == "reconcile/invented" || room == "reconcile" {
			continue
		}
		for _, forbidden := range []string{"os", "os/exec", "net", "syscall", "path/filepath"} {
			assert.NotContains(t, imports(t, line), forbidden, room)
		}
	}
}

func imports(t *testing.T, name string) []string {
	return strings.Fields(list(t, "{{join .Imports \" \"}}", name)[0])
}

func list(t *testing.T, format string, packages ...string) []string {
	out, err := exec.Command("go", append([]string{"list", "-tags", "libvirt_dlopen", "-f", format}, packages...)...).Output()
	require.NoError(t, err)
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}
