package journal

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
)

// A record is framed by its length in bytes and its CRC-32C before it, and a line
// feed behind it: "00000009:e3069283 123456789". Journals from before lengths were
// written have the sum alone, "e3069283 123456789"; what is appended to them is
// not.
const (
	shape     = "hhhhhhhh:hhhhhhhh " // h is a hexadecimal digit
	digits    = 8
	oldLength = digits + 1
)

// castagnoli is CRC-32C, RFC 3720 appendix B.4; its table is made when it is first
// asked for.
func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

func framed(record []byte) []byte {
	return fmt.Appendf(nil, "%08x:%08x %s\n", len(record), crc32.Checksum(record, castagnoli()), record)
}

// Read splits a journal's content into its records and says how many bytes of
// it are whole. Only what a crash leaves of a last record is passed over: it is
// shorter than it says, and has no end. Everything else that is not as it was
// written is an error that names the record.
func Read(content []byte) (records [][]byte, whole int, err error) {
	for number := 1; whole < len(content); number++ {
		record, length, err := first(content[whole:])
		switch {
		case err != nil:
			return nil, 0, fmt.Errorf("record %d is damaged (%w): no crash leaves that, the file was changed", number, err)
		case length == 0:
			return records, whole, nil
		}
		records = append(records, record)
		whole += length
	}
	return records, whole, nil
}

// first gives the first record of a content and the length of its frame; 0 is for
// one that was cut short. A record has no line feed in it, so one that was cut
// short cannot either.
func first(content []byte) (record []byte, length int, err error) {
	head, err := headOf(content)
	if err != nil {
		return nil, 0, err
	}
	end := bytes.IndexByte(content, '\n')
	cut := end < 0
	if len(head) == len(shape) {
		size := number(head[:digits])
		if said := uint64(len(shape)) + size; said < uint64(len(content)) {
			cut, end = false, int(said)
		} else if !cut {
			return nil, 0, errors.New("it is shorter than it says")
		}
	}
	if cut {
		return nil, 0, nil
	}
	record = content[len(head):end]
	switch sum := number(head[len(head)-1-digits : len(head)-1]); {
	case content[end] != '\n':
		return nil, 0, errors.New("it does not end where it says")
	case sum != uint64(crc32.Checksum(record, castagnoli())):
		return nil, 0, errors.New("its sum is another")
	}
	return record, end + 1, nil
}

// headOf gives the head of the first record, in either shape, or what is there of
// it.
func headOf(content []byte) ([]byte, error) {
	for i := range min(len(content), len(shape)) {
		b := content[i]
		switch {
		case i == digits && b == ' ':
			return content[:oldLength], nil
		case shape[i] == 'h' && (b >= '0' && b <= '9' || b >= 'a' && b <= 'f'):
		case shape[i] != 'h' && shape[i] == b:
		default:
			return nil, errors.New("it does not begin as one")
		}
	}
	return content[:min(len(content), len(shape))], nil
}

// number reads eight hexadecimal digits, which headOf has seen.
func number(text []byte) uint64 {
	n, _ := strconv.ParseUint(string(text), 16, 32) // they are digits
	return n
}
