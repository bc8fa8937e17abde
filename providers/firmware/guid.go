package firmware

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
)

// GUID is a name of 128 bits as UEFI stores it: the first three fields little
// endian, the rest byte by byte (UEFI 2.10, appendix A).
type GUID [16]byte

// ParseGUID reads the usual text form, 8-4-4-4-12 hexadecimal digits in either
// case.
func ParseGUID(text string) (GUID, error) {
	var g GUID
	parts := strings.Split(text, "-")
	if len(parts) != 5 || len(text) != 36 {
		return g, fmt.Errorf("parse GUID %q: not of the form 8-4-4-4-12", text)
	}
	raw, err := hex.DecodeString(strings.Join(parts, ""))
	if err != nil || len(raw) != 16 {
		return g, fmt.Errorf("parse GUID %q: not hexadecimal", text)
	}
	for i, width := range []int{8, 4, 4, 4, 12} {
		if len(parts[i]) != width {
			return g, fmt.Errorf("parse GUID %q: not of the form 8-4-4-4-12", text)
		}
	}
	binary.LittleEndian.PutUint32(g[0:], binary.BigEndian.Uint32(raw[0:]))
	binary.LittleEndian.PutUint16(g[4:], binary.BigEndian.Uint16(raw[4:]))
	binary.LittleEndian.PutUint16(g[6:], binary.BigEndian.Uint16(raw[6:]))
	copy(g[8:], raw[8:])
	return g, nil
}

// String gives the text form in upper case, as the UEFI Shell prints it.
func (g GUID) String() string {
	return fmt.Sprintf("%08X-%04X-%04X-%04X-%012X",
		binary.LittleEndian.Uint32(g[0:]), binary.LittleEndian.Uint16(g[4:]),
		binary.LittleEndian.Uint16(g[6:]), g[8:10], g[10:16])
}

// guid is ParseGUID for the constants of this package: a wrong one is our bug.
func guid(text string) GUID {
	g, err := ParseGUID(text)
	if err != nil {
		panic(err)
	}
	return g
}
