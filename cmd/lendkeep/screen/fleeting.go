package screen

import (
	"fmt"

	"lendkeep/spec/plain"
)

// Fleeting is a line of a terminal that is written over and goes again.
type Fleeting struct{ on *Screen }

// Fleeting gives the line, or nil where there is no terminal that can take it
// away again.
func (s *Screen) Fleeting() *Fleeting {
	if s.terminal == nil || dumb() {
		return nil
	}
	return &Fleeting{s}
}

// clear goes to the beginning of the line and erases it (ECMA-48: CR, 8.3.41 EL).
const clear = "\r\x1b[K"

// Show writes over what was shown. What does not fit is left away, word by word:
// the terminal would begin a line with it that does not go again.
func (f *Fleeting) Show(text string) {
	fits := wrap(f.on.Clean(plain.Text(text)), f.on.Width()-1)[0]
	if plain.Columns(fits) >= f.on.Width() {
		return
	}
	fmt.Fprint(f.on.terminal, clear+fits)
}

// Clear takes the line away.
func (f *Fleeting) Clear() { fmt.Fprint(f.on.terminal, clear) }
