package watch

import (
	"encoding/xml"
	"maps"
	"slices"
	"strings"
)

// session tells one run of a guest from the next: libvirt numbers running
// guests (the id of the definition in force), beginning anew when the host does.
func session(boot, live string) string {
	decoder := xml.NewDecoder(strings.NewReader(live))
	for {
		token, err := decoder.Token()
		if err != nil {
			return boot + "/"
		}
		root, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		for _, a := range root.Attr {
			if a.Name.Local == "id" {
				return boot + "/" + a.Value
			}
		}
		return boot + "/"
	}
}

func bootOf(session string) string {
	boot, _, _ := strings.Cut(session, "/")
	return boot
}

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
