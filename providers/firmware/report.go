package firmware

import "fmt"

// Presence answers whether firmware holds a part. The zero value is Unknown.
type Presence uint8

const (
	Unknown Presence = iota // could not be read in full
	Present                 // a valid file with a program in it was seen
	Absent                  // everything was read and it was not there
)

var presenceNames = [...]string{Unknown: "unknown", Present: "present", Absent: "absent"}

// String gives "present", "absent" or "unknown".
func (p Presence) String() string {
	if int(p) >= len(presenceNames) {
		return presenceNames[Unknown]
	}
	return presenceNames[p]
}

// MarshalText writes the word that String gives.
func (p Presence) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads such a word and nothing else.
func (p *Presence) UnmarshalText(text []byte) error {
	for value, name := range presenceNames {
		if name == string(text) {
			*p = Presence(value)
			return nil
		}
	}
	return fmt.Errorf("parse presence %q: not present, absent or unknown", text)
}

// Answer says whether firmware holds one part.
type Answer struct {
	Part string   `json:"part"` // Part.Name
	Held Presence `json:"held"`
	Why  string   `json:"why,omitempty"` // why it is unknown; else empty
}

// Report is what an image was found to hold, without the image itself.
type Report struct {
	SHA256   string   `json:"sha256"` // of the file, hexadecimal
	Bytes    int64    `json:"bytes"`  // size of the file
	Answers  []Answer `json:"answers"`
	ROM      string   `json:"rom,omitempty"`      // sha256 of its NVMe driver as an option ROM holds it, behind the header
	Shell    string   `json:"shell,omitempty"`    // sha256 of its UEFI Shell
	Warnings []string `json:"warnings,omitempty"` // what could not be read, and where
}

// Of gives the answer for one part; a part that the report does not speak of
// is unknown.
func (r Report) Of(part Part) Answer {
	for _, answer := range r.Answers {
		if answer.Part == part.Name {
			return answer
		}
	}
	return Answer{Part: part.Name, Why: "not looked for"}
}
