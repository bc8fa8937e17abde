package firmware

import (
	"encoding/binary"
	"fmt"
	"unicode/utf16"
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
	storeAuthenticated = guid("AAF32C78-947B-439A-A180-2E144EC37792") // gEfiAuthenticatedVariableGuid
	storePlain         = guid("DDCF3616-3275-4164-98B6-FE85707FFE7D") // gEfiVariableGuid
	globalVariables    = guid("8BE4DF61-93CA-11D2-AA0D-00E098032B8C") // EFI_GLOBAL_VARIABLE
)

// Variable is one live variable of a store.
type Variable struct {
	Name       string
	Vendor     GUID
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
	store, long, err := findStore(flash)
	if err != nil {
		return nil, fmt.Errorf("read variable store: %w", err)
	}
	variables, err := storeVariables(store, long)
	if err != nil {
		return variables, fmt.Errorf("read variable store: %w", err)
	}
	return variables, nil
}

// findStore gives the bytes behind the store's header up to its end, and
// whether its variables have the long header.
func findStore(flash []byte) (store []byte, long bool, err error) {
	volume, err := readVolumeHeader(flash)
	if err != nil {
		return nil, false, err
	}
	if volume.format != formatNVData {
		return nil, false, fmt.Errorf("volume of format %s holds no variables", volume.format)
	}
	b := flash[volume.filesAt:volume.length]
	if len(b) < storeHeader {
		return nil, false, fmt.Errorf("%d bytes are no store", len(b))
	}
	signature := GUID(b[:16])
	size := binary.LittleEndian.Uint32(b[16:])
	switch {
	case signature != storeAuthenticated && signature != storePlain:
		return nil, false, fmt.Errorf("store of an unknown kind %s", signature)
	case size < storeHeader || uint64(size) > uint64(len(b)):
		return nil, false, fmt.Errorf("store of %d bytes where %d are left", size, len(b))
	case b[20] != storeFormatted || b[21] != storeHealthy:
		return nil, false, fmt.Errorf("store in state %#02x %#02x, not formatted and healthy", b[20], b[21])
	}
	return b[storeHeader:size], signature == storeAuthenticated, nil
}

// storeVariables walks the variables up to the free space.
func storeVariables(store []byte, long bool) ([]Variable, error) {
	var list []storedVariable
	for at := 0; at+2 <= len(store); {
		rest := store[at:]
		if binary.LittleEndian.Uint16(rest) != variableStart {
			if !filled(rest, 0xFF) {
				return live(list), fmt.Errorf("free space from %#x on is not empty", at)
			}
			break
		}
		v, state, length, err := readVariable(rest, long)
		if err != nil {
			return live(list), fmt.Errorf("variable at %#x: %w", at, err)
		}
		if state == variableAdded || state == variableReplaced {
			v.replaced = state == variableReplaced
			list = append(list, v)
		}
		at = align(at+length, 4)
	}
	return live(list), nil
}

// storedVariable is a variable that may have a successor in the same store.
type storedVariable struct {
	Variable
	replaced bool
}

// live drops a variable in transition whose successor is complete.
func live(list []storedVariable) []Variable {
	complete := map[string]bool{}
	key := func(v storedVariable) string { return v.Vendor.String() + v.Name }
	for _, v := range list {
		if !v.replaced {
			complete[key(v)] = true
		}
	}
	var out []Variable
	for _, v := range list {
		if !v.replaced || !complete[key(v)] {
			out = append(out, v.Variable)
		}
	}
	return out
}

// readVariable reads the variable at the start of b, whatever its state.
func readVariable(b []byte, long bool) (v storedVariable, state byte, length int, err error) {
	header, sizesAt := variableShort, 8
	if long {
		header, sizesAt = variableLong, 36
	}
	if len(b) < header {
		return v, 0, 0, fmt.Errorf("%d bytes are no header", len(b))
	}
	nameSize := uint64(binary.LittleEndian.Uint32(b[sizesAt:]))
	dataSize := uint64(binary.LittleEndian.Uint32(b[sizesAt+4:]))
	whole := uint64(header) + nameSize + dataSize
	if whole > uint64(len(b)) {
		return v, 0, 0, fmt.Errorf("%d bytes where %d are left", whole, len(b))
	}
	name := b[header : header+int(nameSize)]
	v.Name, err = readUTF16(name)
	if err != nil {
		return v, 0, 0, fmt.Errorf("name: %w", err)
	}
	v.Attributes = binary.LittleEndian.Uint32(b[4:])
	v.Vendor = GUID(b[sizesAt+8 : sizesAt+24])
	v.Data = append([]byte(nil), b[header+int(nameSize):whole]...)
	return v, b[2], int(whole), nil
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
