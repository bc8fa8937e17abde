package screen

import (
	"fmt"
	"os"
)

// Style is how something is drawn besides its words: the numbers of a
// terminal's SGR (ECMA-48, 8.3.117). No meaning hangs on it alone.
type Style string

// The styles.
const (
	Stop    Style = "1;31" // bold red
	Caution Style = "1;33" // bold yellow
	Note    Style = "36"   // cyan
	Was     Style = "2"    // faint
	Becomes Style = "1"    // bold
)

func (s Style) draw(text string) string { return "\x1b[" + string(s) + "m" + text + "\x1b[0m" }

// dumb tells a terminal that takes no controls (terminfo(5)'s name of it).
func dumb() bool { return os.Getenv("TERM") == "dumb" }

// Colour says when styles are drawn: always, never, or auto, on a terminal that
// is not dumb, unless NO_COLOR is there and not empty (no-color.org, which has
// an option go before it).
func (s *Screen) Colour(when string) error {
	switch when {
	case "always", "never", "auto":
		s.colour = when
		return nil
	default:
		return fmt.Errorf("--color %q: want auto, always or never", when)
	}
}

func (s *Screen) coloured() bool {
	return s.colour == "always" || s.colour == "auto" && s.terminal != nil && !dumb() && os.Getenv("NO_COLOR") == ""
}
