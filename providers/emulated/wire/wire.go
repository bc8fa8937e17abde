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

// Trace is one thing on the host that acts on who comes after.
type Trace struct {
	Kind   Kind
	Name   string // what it is undone by: a path, an address, a number of a process
	Detail string
}

// Kind says what a trace is of.
type Kind string

// What a host can be left with. Of a drive the name is its controller's address.
const (
	Process   Kind = "process"
	Guest     Kind = "guest"
	Swap      Kind = "swap"
	Mount     Kind = "mount"
	Apart     Kind = "mount in another namespace" // that the host's own lacks
	Loop      Kind = "loop device"
	Mapped    Kind = "mapped device"
	Array     Kind = "array"
	Driver    Kind = "driver"
	File      Kind = "file"
	Held      Kind = "use of a drive"
	Partition Kind = "partition of a drive"
	Content   Kind = "content of a drive"
)

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
