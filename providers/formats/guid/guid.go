// Package guid reads and writes the identities of UEFI and of GPT. Start at
// Parse.
package guid

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
)

// GUID is a name of 128 bits as UEFI stores it: the first three fields little
// endian, the rest byte by byte (UEFI 2.10, appendix A).
type GUID [16]byte

// Parse reads the usual text form, 8-4-4-4-12 hexadecimal digits in either case.
func Parse(text string) (GUID, error) {
	var g GUID
	if len(text) != 36 {
		return g, fmt.Errorf("read GUID %.40q: it is not of the form 0fc63daf-8483-4772-8e79-3d69d8477de4", text)
	}
	digits := text[:8] + text[9:13] + text[14:18] + text[19:23] + text[24:]
	if _, err := hex.Decode(g[:], []byte(digits)); err != nil {
		return g, fmt.Errorf("read GUID %q: %w", text, err)
	}
	g[0], g[1], g[2], g[3] = g[3], g[2], g[1], g[0]
	g[4], g[5], g[6], g[7] = g[5], g[4], g[7], g[6]
	if g.String() != strings.ToLower(text) {
		return g, fmt.Errorf("read GUID %q: it is not of the form 0fc63daf-8483-4772-8e79-3d69d8477de4", text)
	}
	return g, nil
}

// Must is Parse for constants: a wrong one is our bug.
func Must(text string) GUID {
	g, err := Parse(text)
	if err != nil {
		panic(err)
	}
	return g
}

// String gives the form in lower case, as Linux prints it.
func (g GUID) String() string {
	return fmt.Sprintf("%08x-%04x-%04x-%x-%x", binary.LittleEndian.Uint32(g[:]),
		binary.LittleEndian.Uint16(g[4:]), binary.LittleEndian.Uint16(g[6:]), g[8:10], g[10:])
}

// Upper gives the form in upper case, as the UEFI Shell prints it.
func (g GUID) Upper() string { return strings.ToUpper(g.String()) }
