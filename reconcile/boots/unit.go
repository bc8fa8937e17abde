package boots

import "strings"

// unit judges what a mount or swap unit names, as a line of fstab that says the same.
func (f File) unit(own []string) []named {
	at := 0
	fields := []string{"", "/", "", ""}
	for n, text := range strings.Split(f.Text, "\n") {
		key, value, _ := strings.Cut(strings.TrimSpace(text), "=")
		value = strings.TrimSpace(value)
		switch strings.TrimSpace(key) {
		case "What":
			at, fields[0] = n+1, value
		case "Type":
			fields[2] = value
		case "Options":
			fields[3] = value
		}
	}
	if strings.HasSuffix(f.Path, ".swap") {
		fields[2] = "swap"
	}
	if at == 0 {
		return nil // it changes another unit, or is none
	}
	says, why := fstabLine(fields, own)
	return []named{{f, at, "What=" + fields[0], says, why}}
}
