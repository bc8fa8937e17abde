package firmware

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"lendkeep/reconcile/facts"
)

// loadActive is LOAD_OPTION_ACTIVE, UEFI 2.10, 3.1.3.
const loadActive = 0x00000001

// BootEntry is one Boot#### variable.
type BootEntry struct {
	Number    uint16                 // of the variable
	Label     string                 // as the boot menu shows it
	Active    bool                   // tried without being chosen by hand
	Path      string                 // device path in text form
	Partition *facts.SystemPartition // the GPT partition it names; nil: none
	Short     bool                   // Path begins with that partition, whatever drive it is on (UEFI 2.10, 3.1.2)
	File      string                 // the program on it, with backslashes; empty: the default of the place
	Options   []byte                 // handed to the program
}

// Name gives the variable's name, as firmware's own messages do: Boot0001.
func (e BootEntry) Name() string { return fmt.Sprintf("Boot%04X", e.Number) }

// Boot is what a variable store says about booting.
type Boot struct {
	Order   []uint16    // of BootOrder, nil when there is none
	Next    *uint16     // of BootNext: tried once before the order
	Entries []BootEntry // by number
	Gaps    []string    // entries that could not be read, and why
}

// ReadBoot finds the boot entries among a store's variables.
func ReadBoot(variables []Variable) Boot {
	var boot Boot
	for _, v := range variables {
		if v.Vendor != globalVariables {
			continue
		}
		if err := boot.add(v); err != nil {
			boot.Gaps = append(boot.Gaps, fmt.Sprintf("%s: %v", v.Name, err))
		}
	}
	slices.SortStableFunc(boot.Entries, func(a, b BootEntry) int { return int(a.Number) - int(b.Number) })
	return boot
}

func (boot *Boot) add(v Variable) error {
	switch {
	case v.Name == "BootOrder":
		if len(v.Data)%2 != 0 {
			return fmt.Errorf("%d bytes are no list of numbers", len(v.Data))
		}
		for i := 0; i < len(v.Data); i += 2 {
			boot.Order = append(boot.Order, binary.LittleEndian.Uint16(v.Data[i:]))
		}
	case v.Name == "BootNext":
		if len(v.Data) != 2 {
			return fmt.Errorf("%d bytes are no number", len(v.Data))
		}
		next := binary.LittleEndian.Uint16(v.Data)
		boot.Next = &next
	default:
		number, ok := entryNumber(v.Name)
		if !ok {
			return nil
		}
		entry, err := readLoadOption(v.Data)
		if err != nil {
			return err
		}
		entry.Number = number
		boot.Entries = append(boot.Entries, entry)
	}
	return nil
}

// entryNumber reads the number out of a name of the form Boot####, which has
// exactly four digits in upper case (UEFI 2.10, 3.1.1).
func entryNumber(name string) (uint16, bool) {
	digits, ok := strings.CutPrefix(name, "Boot")
	if !ok || len(digits) != 4 || digits != strings.ToUpper(digits) {
		return 0, false
	}
	number, err := strconv.ParseUint(digits, 16, 16)
	return uint16(number), err == nil
}

// readLoadOption reads an EFI_LOAD_OPTION, UEFI 2.10, 3.1.3: attributes, length
// of the path list, label, path list, options.
func readLoadOption(b []byte) (BootEntry, error) {
	if len(b) < 6 {
		return BootEntry{}, fmt.Errorf("%d bytes are no load option", len(b))
	}
	entry := BootEntry{Active: binary.LittleEndian.Uint32(b)&loadActive != 0}
	pathLength := int(binary.LittleEndian.Uint16(b[4:]))
	end := 6
	for ; ; end += 2 {
		if end+2 > len(b) {
			return entry, fmt.Errorf("label has no end")
		}
		if b[end] == 0 && b[end+1] == 0 {
			break
		}
	}
	label, err := readUTF16(b[6 : end+2])
	if err != nil {
		return entry, fmt.Errorf("label: %w", err)
	}
	entry.Label = label
	rest := b[end+2:]
	if pathLength > len(rest) {
		return entry, fmt.Errorf("device path of %d bytes where %d are left", pathLength, len(rest))
	}
	nodes, err := readDevicePath(rest[:pathLength])
	if err != nil {
		return entry, fmt.Errorf("device path: %w", err)
	}
	entry.Path = nodes.String()
	entry.Partition = nodes.partition()
	entry.Short = len(nodes) > 0 && nodes[0].gptPartition() != nil
	entry.File = nodes.file()
	entry.Options = append([]byte(nil), rest[pathLength:]...)
	return entry, nil
}

// facts gives the entries as surveys have them.
func (boot Boot) facts() []facts.BootEntry {
	var list []facts.BootEntry
	for _, e := range boot.Entries {
		f := facts.BootEntry{Number: e.Number, Label: printable(e.Label), Active: e.Active, Place: slices.Index(boot.Order, e.Number) + 1, Short: e.Short, File: printable(e.File)}
		if e.Partition != nil {
			f.Partition = e.Partition.ID
		}
		list = append(list, f)
	}
	return list
}

// printable keeps what a guest has written from acting on a terminal.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}
