// Package wire holds what the agent inside an emulated host and the program
// outside say to each other: net/rpc over one virtio-serial port. Start at
// Service.
package wire

// Port names the virtio-serial port that the agent answers on.
const Port = "lendkeep.agent"

// Service is the name the agent registers its methods under; the methods are
// those of the agent's type Host.
const Service = "Host"

// Command is a program to run inside. It starts in the root folder, in a
// process group of its own.
type Command struct {
	Argv  []string
	Env   []string // added to the agent's own
	Stdin []byte
}

// Result is what became of a command.
type Result struct {
	Exit   int // 128 and the signal's number, as shells have it, when a signal ended it
	Stdout []byte
	Stderr []byte
}

// Signal is sent to a command's whole process group.
type Signal struct {
	Command int // as Begin gave it
	Number  int
}

// Span is a part of a file to read. Fewer bytes than asked for mean its end.
type Span struct {
	Name   string
	Offset int64
	Length int
}

// Piece is a part of a file to write; a piece at offset 0 makes the file anew.
type Piece struct {
	Name    string
	Offset  int64
	Content []byte
	Mode    uint32
}

// PieceBytes is how much of a file travels at once.
const PieceBytes = 1 << 20

// None stands where a method needs nothing or answers nothing (gob refuses a
// struct without fields).
type None bool

// Trees asks for parts of the host's file system as one tar archive.
type Trees struct {
	Roots []string // files and folders; what is not there is left out
}

// Unreadable is the entry of that archive which lists the files that are there
// but cannot be read, a line each: name, tab, reason.
const Unreadable = "unreadable.txt"
