package table

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
)

// guid is an identity as a GPT stores it: the first three fields little-endian
// (UEFI 2.10, appendix A).
type guid [16]byte

// String gives the usual lower-case form.
func (g guid) String() string {
	return fmt.Sprintf("%08x-%04x-%04x-%x-%x", binary.LittleEndian.Uint32(g[:]),
		binary.LittleEndian.Uint16(g[4:]), binary.LittleEndian.Uint16(g[6:]), g[8:10], g[10:])
}

// parseGUID reads the form that String gives, and no other.
func parseGUID(text string) (guid, error) {
	var g guid
	if len(text) != 36 {
		return g, fmt.Errorf("read identity %q: want 36 characters", text)
	}
	digits := text[:8] + text[9:13] + text[14:18] + text[19:23] + text[24:]
	if _, err := hex.Decode(g[:], []byte(digits)); err != nil {
		return g, fmt.Errorf("read identity %q: %w", text, err)
	}
	g[0], g[1], g[2], g[3] = g[3], g[2], g[1], g[0]
	g[4], g[5], g[6], g[7] = g[5], g[4], g[7], g[6]
	if g.String() != text {
		return g, fmt.Errorf("read identity %q: want the form 0fc63daf-8483-4772-8e79-3d69d8477de4", text)
	}
	return g, nil
}
