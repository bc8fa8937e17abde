package archive

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// rowBytes is how much of a file one row of hexadecimal text holds.
const rowBytes = 16

// formatHex writes content as rows of "offset bytes", in hexadecimal; rows that
// hold only zeros are left out. The last line gives the size in decimal.
func formatHex(content []byte) []byte {
	var text bytes.Buffer
	for at := 0; at < len(content); at += rowBytes {
		row := content[at:min(at+rowBytes, len(content))]
		if len(bytes.Trim(row, "\x00")) > 0 {
			fmt.Fprintf(&text, "%06x %x\n", at, row)
		}
	}
	fmt.Fprintf(&text, "size %d\n", len(content))
	return text.Bytes()
}

// parseHex reads what formatHex writes, and nothing else.
func parseHex(text []byte) ([]byte, error) {
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	number, found := strings.CutPrefix(lines[len(lines)-1], "size ")
	size, err := strconv.ParseUint(number, 10, 32)
	if !found || err != nil || size > maxFileBytes {
		return nil, fmt.Errorf("want its size in the last line, at most %d", maxFileBytes)
	}
	content := make([]byte, size)
	next := 0
	for _, line := range lines[:len(lines)-1] {
		at, row, err := parseRow(line)
		if err != nil {
			return nil, fmt.Errorf("row %q: %w", line, err)
		}
		if at < next || at%rowBytes != 0 || len(row) != min(rowBytes, len(content)-at) {
			return nil, fmt.Errorf("row %q: want rows of %d bytes in sequence", line, rowBytes)
		}
		next = at + copy(content[at:], row)
	}
	if string(formatHex(content)) != string(text) {
		return nil, errors.New("want rows in lower case, and none that holds only zeros")
	}
	return content, nil
}

func parseRow(line string) (at int, row []byte, err error) {
	offset, digits, _ := strings.Cut(line, " ")
	number, err := strconv.ParseUint(offset, 16, 31)
	if err != nil {
		return 0, nil, err
	}
	row, err = hex.DecodeString(digits)
	return int(number), row, err
}
