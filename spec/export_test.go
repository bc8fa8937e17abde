package spec

// What the language refuses of a text, for tests.
var (
	WrongGuest     = wrongLibvirtName
	WrongPartition = wrongPartition
	WrongPath      = wrongMountPath
	WrongFile      = wrongImage
	WrongSerial    = wrongSerial
	WrongOption    = wrongMountOption

	ReadBounded = readBounded
)
