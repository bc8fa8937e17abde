package image

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// early are the modules without which the root filesystem cannot be mounted.
// ext4 asks for crc32c by name at mount time, so modules.dep does not list it.
var early = []string{"nvme", "crc32c_generic", "ext4"}

// loadOrder lists the files of the early modules and of all they depend on,
// each after what it needs. dep is the text of modules.dep (modules.dep(5)):
// "FILE: NEEDED NEEDED ...", where what is needed stands before its own needs.
func loadOrder(dep string, wanted []string) ([]string, error) {
	needs := map[string][]string{}
	files := map[string]string{}
	for line := range strings.Lines(dep) {
		file, needed, found := strings.Cut(strings.TrimSpace(line), ":")
		if !found {
			continue
		}
		needs[file] = strings.Fields(needed)
		files[moduleName(file)] = file
	}
	var order []string
	for _, name := range wanted {
		file, found := files[name]
		if !found {
			return nil, fmt.Errorf("order modules: the kernel has no module %s", name)
		}
		chain := append([]string{file}, needs[file]...)
		slices.Reverse(chain)
		for _, next := range chain {
			if !slices.Contains(order, next) {
				order = append(order, next)
			}
		}
	}
	return order, nil
}

// moduleName is the name the kernel knows a module's file by.
func moduleName(file string) string {
	return strings.ReplaceAll(strings.TrimSuffix(filepath.Base(file), ".ko"), "-", "_")
}

// keepModules copies the early modules to a folder, named so that their names
// sort in the order in which they must be loaded.
func keepModules(root, folder string) error {
	kernel, err := release(root)
	if err != nil {
		return err
	}
	tree := filepath.Join(root, "usr/lib/modules", kernel)
	dep, err := os.ReadFile(filepath.Join(tree, "modules.dep"))
	if err != nil {
		return fmt.Errorf("keep modules: %w", err)
	}
	order, err := loadOrder(string(dep), early)
	if err != nil {
		return err
	}
	for i, file := range order {
		content, err := os.ReadFile(filepath.Join(tree, file))
		if err != nil {
			return fmt.Errorf("keep modules: %w", err)
		}
		name := filepath.Join(folder, fmt.Sprintf("%02d-%s", i, filepath.Base(file)))
		if err := write(name, string(content)); err != nil {
			return fmt.Errorf("keep modules: %w", err)
		}
	}
	return nil
}
