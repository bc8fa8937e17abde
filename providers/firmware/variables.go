package firmware

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"unicode/utf16"

	"lendkeep/providers/formats/guid"
)

// Variable store, edk2's VariableFormat.h. Offsets and sizes in bytes.
const (
	storeHeader    = 28
	storeFormatted = 0x5A // VARIABLE_STORE_FORMATTED
	storeHealthy   = 0xFE // VARIABLE_STORE_HEALTHY
	variableStart  = 0x55AA
	variableShort  = 32 // VARIABLE_HEADER
	variableLong   = 60 // AUTHENTICATED_VARIABLE_HEADER

	// States of a variable; bits are cleared as it goes through them.
	variableAdded    = 0x3F // VAR_ADDED
	variableReplaced = 0x3E // VAR_ADDED & VAR_IN_DELETED_TRANSITION: counts until the new one is there
)

var (
	storeAuthenticated = guid.Must("AAF32C78-947B-439A-A180-2E144EC37792") // gEfiAuthenticatedVariableGuid
	storePlain         = guid.Must("DDCF3616-3275-4164-98B6-FE85707FFE7D") // gEfiVariableGuid
	globalVariables    = guid.Must("8BE4DF61-93CA-11D2-AA0D-00E098032B8C") // EFI_GLOBAL_VARIABLE
)

// Variable is one live variable of a store.
type Variable struct {
	Name       string
	Vendor     guid.GUID
	Attributes uint32
	Data       []byte
}

// ReadVariables lists the live variables of a variable store file (OVMF_VARS),
// raw or qcow2, in the order they were written. On an error the variables
// before the damage come with it: then nothing may be concluded from what is
// missing.
func ReadVariables(content []byte) ([]Variable, error) {
	flash, err := rawFlash(content)
	if err != nil {
		return nil, fmt.Errorf("read variable store: %w", err)
	}
	store, err := findStore(flash)
	if err != nil {
		return nil, fmt.Errorf("read variable store: %w", err)
	}
	list, _, err := store.walk()
	if err != nil {
		return live(list), fmt.Errorf("read variable store: %w", err)
	}
	return live(list), nil
}

// store is the part of a flash file that variables are appended to.
type store struct {
	at      int // offset in the file of the first variable
	content []byte
	long    bool // variables have the long header
}

// findStore checks the store's header and gives what lies behind it.
func findStore(flash []byte) (store, error) {
	volume, err := readVolumeHeader(flash)
	if err != nil {
		return store{}, err
	}
	if volume.format != formatNVData {
		return store{}, fmt.Errorf("volume of format %s holds no variables", volume.format.Upper())
	}
	b := flash[volume.filesAt:volume.length]
	if len(b) < storeHeader {
		return store{}, fmt.Errorf("%d bytes are no store", len(b))
	}
	signature := guid.GUID(b[:16])
	size := binary.LittleEndian.Uint32(b[16:])
	switch {
	case signature != storeAuthenticated && signature != storePlain:
		return store{}, fmt.Errorf("store of an unknown kind %s", signature)
	case size < storeHeader || uint64(size) > uint64(len(b)):
		return store{}, fmt.Errorf("store of %d bytes where %d are left", size, len(b))
	case b[20] != storeFormatted || b[21] != storeHealthy:
		return store{}, fmt.Errorf("store in state %#02x %#02x, not formatted and healthy", b[20], b[21])
	}
	return store{volume.filesAt + storeHeader, b[storeHeader:size], signature == storeAuthenticated}, nil
}

// walk lists the variables of every state, and gives the offset of the free
// space in the content.
func (s store) walk() (list []storedVariable, free int, err error) {
	at := 0
	for at+2 <= len(s.content) {
		rest := s.content[at:]
		if binary.LittleEndian.Uint16(rest) != variableStart {
			if !filled(rest, 0xFF) {
				return list, at, fmt.Errorf("free space from %#x on is not empty", at)
			}
			break
		}
		v, length, err := readVariable(rest, s.long)
		if err != nil {
			return list, at, fmt.Errorf("variable at %#x: %w", at, err)
		}
		v.at = at
		list = append(list, v)
		at = align(at+length, 4)
	}
	return list, at, nil
}

// storedVariable is a variable in its place; it may be deleted, unfinished or
// have a successor in the same store.
type storedVariable struct {
	Variable
	at    int
	state byte
}

// live drops what does not count: all but complete variables, and one in
// transition whose successor is complete.
func live(list []storedVariable) []Variable {
	complete := map[string]bool{}
	key := func(v storedVariable) string { return v.Vendor.String() + v.Name }
	for _, v := range list {
		if v.state == variableAdded {
			complete[key(v)] = true
		}
	}
	var out []Variable
	for _, v := range list {
		if v.state == variableAdded || v.state == variableReplaced && !complete[key(v)] {
			out = append(out, v.Variable)
		}
	}
	return out
}

// variableHeader gives the length of a variable's header and where the two
// sizes stand in it, before the vendor.
func variableHeader(long bool) (length, sizesAt int) {
	if long {
		return variableLong, 36
	}
	return variableShort, 8
}

// readVariable reads the variable at the start of b, whatever its state, and
// gives its length.
func readVariable(b []byte, long bool) (storedVariable, int, error) {
	var v storedVariable
	header, sizesAt := variableHeader(long)
	if len(b) < header {
		return v, 0, fmt.Errorf("%d bytes are no header", len(b))
	}
	nameSize := uint64(binary.LittleEndian.Uint32(b[sizesAt:]))
	dataSize := uint64(binary.LittleEndian.Uint32(b[sizesAt+4:]))
	whole := uint64(header) + nameSize + dataSize
	if whole > uint64(len(b)) {
		return v, 0, fmt.Errorf("%d bytes where %d are left", whole, len(b))
	}
	var err error
	if v.Name, err = readUTF16(b[header : header+int(nameSize)]); err != nil {
		return v, 0, fmt.Errorf("name: %w", err)
	}
	v.state = b[2]
	v.Attributes = binary.LittleEndian.Uint32(b[4:])
	v.Vendor = guid.GUID(b[sizesAt+8 : sizesAt+24])
	v.Data = bytes.Clone(b[header+int(nameSize) : whole])
	return v, int(whole), nil
}

// readUTF16 decodes a string that fills b up to its final zero.
func readUTF16(b []byte) (string, error) {
	if len(b) < 2 || len(b)%2 != 0 {
		return "", fmt.Errorf("string of %d bytes", len(b))
	}
	units := make([]uint16, len(b)/2)
	for i := range units {
		units[i] = binary.LittleEndian.Uint16(b[2*i:])
	}
	last := len(units) - 1
	for i, unit := range units {
		if (unit == 0) != (i == last) {
			return "", fmt.Errorf("string not ended by its only zero")
		}
	}
	return string(utf16.Decode(units[:last])), nil
}

// Enrolled reports whether the store holds a platform key: firmware with
// Secure Boot then refuses a shim's parts, which are not signed (UEFI 2.10,
// 32.3: without PK the platform is in setup mode).
func Enrolled(variables []Variable) bool {
	for _, v := range variables {
		if v.Name == "PK" && v.Vendor == globalVariables && len(v.Data) > 0 {
			return true
		}
	}
	return false
}
