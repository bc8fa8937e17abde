package speed

import (
	"embed"
	"fmt"
	"reflect"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/fields"
)

//go:embed *.go
var sources embed.FS

// Manual describes every field of the file of a result, in Markdown.
func Manual() string {
	of := reflect.TypeFor[Result]()
	return fmt.Sprintf(`What `+"`lendkeep-measure --json FILE`"+` and `+"`lendkeep measure -o FILE`"+` write and `+"`lendkeep measure --compare`"+`
reads: one JSON value, of format %d. A result of another format, with a field that is
not described here, one twice, without one that is always there, or with values that
cannot be, is refused. A field that is marked "may be missing" is missing where it is
empty, zero or not known. Times are UTC; names that end in `+"`_ns`"+` are in nanoseconds.

## Fields

`, Format) + fields.Of(of, map[string]embed.FS{of.PkgPath(): sources, reflect.TypeFor[facts.Gap]().PkgPath(): facts.Sources})
}
