package facts

import (
	"embed"
	"fmt"
	"reflect"

	"lendkeep/reconcile/fields"
)

// Sources are this package's own, in which each field has its comment.
//
//go:embed *.go
var Sources embed.FS

// Manual describes every field of the survey file, in Markdown.
func Manual() string {
	of := reflect.TypeFor[Survey]()
	return fmt.Sprintf(`What `+"`lendkeep survey -o FILE`"+` writes and whatever takes `+"`--survey FILE`"+` reads: one JSON
value, of format %d. A survey of another format, with a field that is not described
here, one twice, or without one that is always there, is refused. A field that is
marked "may be missing" is missing where it is empty, zero or false. Times are UTC.

## Fields

`, Format) + fields.Of(of, map[string]embed.FS{of.PkgPath(): Sources})
}
