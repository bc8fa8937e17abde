package screen

import "strings"

// A command line that is copied must not end where the screen does: what stands on
// the next line would be missing of it, such as the option that says which host is
// meant. So it goes to the next line as a whole; one that is wider than the screen
// is broken as a shell takes it (POSIX.1-2024, Shell Command Language, 2.2.1).

// Within a call that is shown, the spaces between its words and those in quotes.
// Neither character is in a text that was made harmless.
const (
	joint  = "\x00"
	within = "\x01"
)

const goesOn = ` \`

var spaces = strings.NewReplacer(joint, " ", within, " ")

// whole gives a text in which the calls are not broken between words.
func whole(text string, calls []string) string {
	for _, call := range calls {
		text = strings.ReplaceAll(text, call, joined(call))
	}
	return text
}

// joined marks the spaces of a call, whose words are quoted as plain.Quoted does it.
func joined(call string) string {
	made, quoted := []byte(call), false
	for at := 0; at < len(made); at++ {
		switch c := made[at]; {
		case c == '\'':
			quoted = !quoted
		case c == '\\' && !quoted:
			at++ // what follows has no meaning
		case c == ' ' && quoted:
			made[at] = within[0]
		case c == ' ':
			made[at] = joint[0]
		}
	}
	return string(made)
}

// call adds a call that is wider than a line.
func (b *breaking) call(gap int, words []string) {
	for n, word := range words {
		room := b.width
		if n < len(words)-1 {
			b.width -= len(goesOn)
		}
		if n == 0 {
			b.put(gap, word, "")
		} else {
			b.put(1, word, goesOn)
		}
		b.width = room
	}
}
