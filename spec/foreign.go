package spec

import (
	"bytes"
	"encoding/json"
	"fmt"
	"unicode/utf8"
)

// foreignFile tells what a file is that is no text of a layout at all.
func foreignFile(f File) (Diagnostic, bool) {
	what, detail, hint := foreign(f.Bytes)
	if what == "" {
		return Diagnostic{}, false
	}
	return Diagnostic{Severity: SeverityError, Summary: "this file is " + what, Detail: detail, Hint: hint, At: Place{File: f.Name}}, true
}

// foreign calls what bytes are by their beginnings: byte order marks (Unicode
// 16.0, 23.8), NUL, which is in no text of a layout, and the first sign of JSON
// (RFC 8259, 2) and XML (XML 1.0, 2.8).
func foreign(content []byte) (what, detail, hint string) {
	const wanted = "A layout file is text in UTF-8."
	switch trimmed := bytes.TrimLeft(bytes.TrimPrefix(content, []byte("\xef\xbb\xbf")), " \t\r\n"); {
	case bytes.HasPrefix(content, []byte("\xff\xfe\x00\x00")), bytes.HasPrefix(content, []byte("\x00\x00\xfe\xff")):
		return "UTF-32 text", wanted, "save it as UTF-8, or: iconv -f UTF-32 -t UTF-8 FILE"
	case bytes.HasPrefix(content, []byte("\xff\xfe")), bytes.HasPrefix(content, []byte("\xfe\xff")):
		return "UTF-16 text", wanted, "save it as UTF-8, or: iconv -f UTF-16 -t UTF-8 FILE"
	case everySecondIsNUL(content):
		return "UTF-16 text, it seems", wanted, "save it as UTF-8, or: iconv -f UTF-16LE -t UTF-8 FILE"
	case bytes.IndexByte(content, 0) >= 0:
		return "no text", fmt.Sprintf("Byte %d of it is NUL. %s", bytes.IndexByte(content, 0)+1, wanted), "see whether another file was meant; a backup or the version control has the old one"
	case isJSON(trimmed):
		return "JSON", "Layouts are written in blocks and attributes, which only look like it.", "write host \"NAME\" { … } instead of {\"host\": …}; lendkeep help layout shows the rest"
	case bytes.HasPrefix(trimmed, []byte("<")) && !bytes.HasPrefix(trimmed, []byte("<<")):
		return "XML", "libvirt's definitions of guests are XML; a layout names such a guest and states what shall be of it.", "write guest \"NAME\" { … }; lendkeep help layout shows the rest"
	}
	return "", "", ""
}

func isJSON(content []byte) bool {
	if len(content) == 0 || content[0] != '{' && content[0] != '[' {
		return false
	}
	return content[0] == '{' || json.Valid(content)
}

// everySecondIsNUL tells whether a text is UTF-16 without a byte order mark: its
// letters are mostly ASCII, whose other byte is 0.
func everySecondIsNUL(content []byte) bool {
	const looked = 64
	some := content[:min(len(content), looked)]
	if len(some) < 4 {
		return false
	}
	nul := [2]int{}
	for i, b := range some {
		if b == 0 {
			nul[i%2]++
		}
	}
	return max(nul[0], nul[1])*4 >= len(some) && min(nul[0], nul[1]) == 0 && utf8.ValidString(string(bytes.ReplaceAll(some, []byte{0}, nil)))
}
