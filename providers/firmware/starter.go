package firmware

import (
	"encoding/binary"

	"lendkeep/providers/formats/guid"
)

// The starter is the first program of a shim disk. Firmware that starts
// \EFI\BOOT\BOOTX64.EFI by itself gives it no options, and the UEFI Shell
// without options counts down five seconds in which any key stops it. So the
// starter loads the Shell that lies beside it and hands it the options:
//
//	-nointerrupt  no countdown, and keys do not stop the script
//	-nomap        no list of drives
//	-noversion    no banner
//
// It is small enough to be written here instruction by instruction; a test
// disassembles it and compares every line. Calling convention and tables: UEFI
// 2.10, 2.3.4, 4.3, 4.4, 9.1.
const (
	shellPath    = `\EFI\BOOT\SHELLX64.EFI`
	shellOptions = "SHELLX64.EFI -nointerrupt -nomap -noversion"
)

// Offsets into the tables that firmware hands over, in bytes.
const (
	starterCodeAt = 0x1000 // where .text is loaded
	starterDataAt = 0x2000 // where .data is loaded
	starterPath   = 1024   // room for the device path of the Shell
)

// instruction is one of the starter's: its bytes, and the label whose distance
// follows them in 32 bits, if any.
type instruction struct {
	label string // of this place
	code  string
	to    string
	text  string // as the disassembler shows it, without the distance
}

var starterCode = []instruction{
	{"", "\x53", "", "push rbx"},
	{"", "\x56", "", "push rsi"},
	{"", "\x57", "", "push rdi"},
	{"", "\x41\x54", "", "push r12"},
	{"", "\x48\x83\xec\x48", "", "sub rsp, 0x48"}, // room for calls, and three answers at 0x30

	// Which device was this program loaded from?
	{"", "\x48\x8b\x5a\x60", "", "mov rbx, qword ptr [rdx+0x60]"}, // boot services
	{"", "\x49\x89\xcc", "", "mov r12, rcx"},                      // this image
	{"", "\x48\x8d\x15", "loadedImage", "lea rdx, ptr [rip]"},
	{"", "\x4c\x8d\x44\x24\x30", "", "lea r8, ptr [rsp+0x30]"},
	{"", "\xff\x93\x98\x00\x00\x00", "", "call qword ptr [rbx+0x98]"}, // HandleProtocol
	{"", "\x48\x85\xc0", "", "test rax, rax"},
	{"", "\x0f\x85", "out", "jnz"},
	{"", "\x48\x8b\x44\x24\x30", "", "mov rax, qword ptr [rsp+0x30]"},
	{"", "\x48\x8b\x48\x18", "", "mov rcx, qword ptr [rax+0x18]"}, // DeviceHandle
	{"", "\x48\x8d\x15", "devicePath", "lea rdx, ptr [rip]"},
	{"", "\x4c\x8d\x44\x24\x38", "", "lea r8, ptr [rsp+0x38]"},
	{"", "\xff\x93\x98\x00\x00\x00", "", "call qword ptr [rbx+0x98]"}, // HandleProtocol
	{"", "\x48\x85\xc0", "", "test rax, rax"},
	{"", "\x0f\x85", "out", "jnz"},

	// Copy its device path node by node and put the Shell's file behind it.
	{"", "\x48\x8b\x74\x24\x38", "", "mov rsi, qword ptr [rsp+0x38]"},
	{"", "\x48\x8d\x3d", "path", "lea rdi, ptr [rip]"},
	{"", "\x48\x8d\x15", "pathRoom", "lea rdx, ptr [rip]"},
	{"node", "\x80\x3e\x7f", "", "cmp byte ptr [rsi], 0x7f"}, // END_DEVICE_PATH_TYPE
	{"", "\x0f\x84", "append", "jz"},
	{"", "\x0f\xb7\x4e\x02", "", "movzx ecx, word ptr [rsi+0x2]"}, // length of the node
	{"", "\x48\x8d\x04\x0f", "", "lea rax, ptr [rdi+rcx]"},
	{"", "\x48\x39\xd0", "", "cmp rax, rdx"},
	{"", "\x0f\x87", "tooLong", "jnbe"},
	{"", "\xf3\xa4", "", "rep movsb byte ptr [rdi], byte ptr [rsi]"},
	{"", "\xe9", "node", "jmp"},
	{"append", "\x48\x8d\x35", "file", "lea rsi, ptr [rip]"},
	{"", "\x48\x8d\x0d", "fileEnd", "lea rcx, ptr [rip]"},
	{"", "\x48\x29\xf1", "", "sub rcx, rsi"},
	{"", "\xf3\xa4", "", "rep movsb byte ptr [rdi], byte ptr [rsi]"},

	// Load the Shell.
	{"", "\x31\xc9", "", "xor ecx, ecx"}, // not a boot policy
	{"", "\x4c\x89\xe2", "", "mov rdx, r12"},
	{"", "\x4c\x8d\x05", "path", "lea r8, ptr [rip]"},
	{"", "\x45\x31\xc9", "", "xor r9d, r9d"},
	{"", "\x4c\x89\x4c\x24\x20", "", "mov qword ptr [rsp+0x20], r9"},
	{"", "\x48\x8d\x44\x24\x40", "", "lea rax, ptr [rsp+0x40]"},
	{"", "\x48\x89\x44\x24\x28", "", "mov qword ptr [rsp+0x28], rax"},
	{"", "\xff\x93\xc8\x00\x00\x00", "", "call qword ptr [rbx+0xc8]"}, // LoadImage
	{"", "\x48\x85\xc0", "", "test rax, rax"},
	{"", "\x0f\x85", "out", "jnz"},

	// Give it its options.
	{"", "\x48\x8b\x4c\x24\x40", "", "mov rcx, qword ptr [rsp+0x40]"},
	{"", "\x48\x8d\x15", "loadedImage", "lea rdx, ptr [rip]"},
	{"", "\x4c\x8d\x44\x24\x30", "", "lea r8, ptr [rsp+0x30]"},
	{"", "\xff\x93\x98\x00\x00\x00", "", "call qword ptr [rbx+0x98]"}, // HandleProtocol
	{"", "\x48\x85\xc0", "", "test rax, rax"},
	{"", "\x0f\x85", "out", "jnz"},
	{"", "\x48\x8b\x44\x24\x30", "", "mov rax, qword ptr [rsp+0x30]"},
	{"", "\x48\x8d\x0d", "options", "lea rcx, ptr [rip]"},
	{"", "\x48\x89\x48\x38", "", "mov qword ptr [rax+0x38], rcx"}, // LoadOptions
	{"", "\x48\x8d\x15", "optionsEnd", "lea rdx, ptr [rip]"},
	{"", "\x48\x29\xca", "", "sub rdx, rcx"},
	{"", "\x89\x50\x30", "", "mov dword ptr [rax+0x30], edx"}, // LoadOptionsSize

	// Start it.
	{"", "\x48\x8b\x4c\x24\x40", "", "mov rcx, qword ptr [rsp+0x40]"},
	{"", "\x31\xd2", "", "xor edx, edx"},
	{"", "\x45\x31\xc0", "", "xor r8d, r8d"},
	{"", "\xff\x93\xd0\x00\x00\x00", "", "call qword ptr [rbx+0xd0]"}, // StartImage
	{"out", "\x48\x83\xc4\x48", "", "add rsp, 0x48"},
	{"", "\x41\x5c", "", "pop r12"},
	{"", "\x5f", "", "pop rdi"},
	{"", "\x5e", "", "pop rsi"},
	{"", "\x5b", "", "pop rbx"},
	{"", "\xc3", "", "ret"},
	{"tooLong", "\x48\xb8\x05\x00\x00\x00\x00\x00\x00\x80", "", "mov rax, 0x8000000000000005"}, // EFI_BUFFER_TOO_SMALL
	{"", "\xe9", "out", "jmp"},
}

// starterData lays out the starter's data and says where each label is.
func starterData() ([]byte, map[string]int) {
	var data []byte
	labels := map[string]int{}
	put := func(label string, b []byte) {
		data = append(data, make([]byte, align(len(data), 8)-len(data))...)
		labels[label] = starterDataAt + len(data)
		data = append(data, b...)
		labels[label+"End"] = starterDataAt + len(data)
	}
	loadedImage := guid.Must("5B1B31A1-9562-11D2-8E3F-00A0C969723B") // EFI_LOADED_IMAGE_PROTOCOL_GUID
	devicePath := guid.Must("09576E91-6D3F-11D2-8E39-00A0C969723B")  // EFI_DEVICE_PATH_PROTOCOL_GUID
	file := append(filePathNode(shellPath), endNode()...)
	put("loadedImage", loadedImage[:])
	put("devicePath", devicePath[:])
	put("options", utf16Text(shellOptions))
	put("file", file)
	put("path", nil) // not in the file: memory that reads as zeros
	labels["pathRoom"] = labels["path"] + starterPath - len(file)
	return data, labels
}

// starter builds the program.
func starter() []byte {
	data, labels := starterData()
	at := starterCodeAt
	for _, i := range starterCode {
		if i.label != "" {
			labels[i.label] = at
		}
		at += len(i.code) + distanceSize(i)
	}
	var code []byte
	for _, i := range starterCode {
		code = append(code, i.code...)
		if i.to != "" {
			// Distances count from the end of the instruction.
			end := starterCodeAt + len(code) + 4
			code = binary.LittleEndian.AppendUint32(code, uint32(int32(labels[i.to]-end)))
		}
	}
	return pe32(subsystemApp, code, data, labels["path"]+starterPath-starterDataAt)
}

func distanceSize(i instruction) int {
	if i.to == "" {
		return 0
	}
	return 4
}

// idleDriver builds a driver that does nothing but report success: xor eax, eax;
// ret. The Shell connects every device to its drivers after it has loaded one.
func idleDriver() []byte { return pe32(subsystemBoot, []byte{0x31, 0xC0, 0xC3}, nil, 1) }
