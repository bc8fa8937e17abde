package facts

import "strings"

// Parameter gives the values of a parameter on the kernel's command line, in its
// sequence; one that stands there alone has an empty one. In names - is the same as _
// (Linux kernel/params.c, parameq).
func (m Machine) Parameter(name string) []string {
	var list []string
	for word := range strings.FieldsSeq(m.CommandLine) {
		given, value, _ := strings.Cut(strings.Trim(word, `"`), "=")
		if strings.ReplaceAll(given, "-", "_") == name {
			list = append(list, value)
		}
	}
	return list
}
