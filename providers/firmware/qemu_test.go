package firmware

import (
	"bytes"
	"context"
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// bootTests says whether guests are started: they take minutes.
func bootTests(t *testing.T) {
	t.Helper()
	if os.Getenv("LENDKEEP_BOOT_TESTS") != "1" {
		t.Skip("boots real firmware in QEMU for minutes: set LENDKEEP_BOOT_TESTS=1")
	}
}

// guest is one boot of a test machine.
type guest struct {
	t        *testing.T
	dir      string
	devices  []string
	machine  string
	vars     string // path of its variable store
	deadline time.Duration
}

// newGuest makes a machine with the given firmware and an empty variable store.
func newGuest(t *testing.T, code []byte) *guest {
	g := &guest{t: t, dir: t.TempDir(), deadline: 3 * time.Minute, machine: "q35,accel=tcg"}
	g.vars = g.file("vars.fd", outsideFile(t, ovmfVars, "ovmf"))
	g.devices = []string{
		"-drive", "if=pflash,format=raw,unit=0,readonly=on,file=" + g.file("code.fd", code),
		"-drive", "if=pflash,format=raw,unit=1,file=" + g.vars,
	}
	return g
}

func (g *guest) file(name string, content []byte) string {
	path := filepath.Join(g.dir, name)
	require.NoError(g.t, os.WriteFile(path, content, 0o600))
	// QEMU's options end at a comma unless it is doubled.
	require.NotContains(g.t, path, ",")
	return path
}

// drive gives the machine a disk; device is what it is attached as.
func (g *guest) drive(name string, content []byte, options, device string) string {
	path := g.file(name+".img", content)
	g.devices = append(g.devices,
		"-drive", "if=none,id="+name+",format=raw,file="+path+options,
		"-device", device+",drive="+name)
	return path
}

// nvme attaches the lent drive; more are further properties of its device.
func (g *guest) nvme(content []byte, more string) {
	g.drive("lent", content, "", "nvme,serial=RL-4410-0073"+more)
}

// shim attaches a shim disk the way it should be, read-only.
func (g *guest) shim(content []byte) {
	g.drive("shim", content, ",readonly=on", "virtio-blk-pci,bootindex=1")
}

// output collects what a guest writes on its serial port.
type output struct {
	sync.Mutex
	b bytes.Buffer
}

func (o *output) Write(b []byte) (int, error) {
	o.Lock()
	defer o.Unlock()
	return o.b.Write(b)
}

var escapes = regexp.MustCompile("\x1b\\[[0-9;=?]*[A-Za-z]|\r")

func (o *output) text() string {
	o.Lock()
	defer o.Unlock()
	return escapes.ReplaceAllString(o.b.String(), "")
}

// run starts the machine under software emulation and waits until it switches
// itself off, until text appears on its console, or for the deadline. It gives
// the console's text.
func (g *guest) run(until string) string {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), g.deadline)
	defer cancel()
	arguments := append([]string{"-machine", g.machine, "-m", "256", "-nodefaults", "-no-reboot",
		"-display", "none", "-serial", "stdio", "-net", "none"}, g.devices...)
	command := exec.CommandContext(ctx, outsideProgram(g.t, "qemu-system-x86_64", "qemu-system-x86"), arguments...)
	console, complaints := &output{}, &output{}
	command.Stdout, command.Stderr = console, complaints
	require.NoError(g.t, command.Start())
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	poll := time.NewTicker(50 * time.Millisecond)
	defer poll.Stop()
	for {
		select {
		case err := <-ended:
			require.NoError(g.t, ctx.Err(), "no end within %s:\n%s", g.deadline, console.text())
			require.NoError(g.t, err, complaints.text())
			return console.text()
		case <-poll.C:
			if until != "" && strings.Contains(console.text(), until) {
				require.NoError(g.t, command.Process.Kill())
				<-ended
				return console.text()
			}
		}
	}
}

// markerProgram is an EFI application that writes a line on the console and
// switches the machine off: it stands for a system's loader.
func markerProgram(text string) []byte {
	code := []byte("\x48\x83\xec\x28" + // sub rsp, 0x28
		"\x48\x89\xd3" + // mov rbx, rdx: system table
		"\x48\x8b\x4a\x40" + // mov rcx, [rdx+0x40]: ConOut
		"\x48\x8d\x15") // lea rdx, [text]
	code = binary.LittleEndian.AppendUint32(code, uint32(starterDataAt-starterCodeAt-(len(code)+4)))
	code = append(code, "\xff\x51\x08"+ // call [rcx+8]: OutputString
		"\x48\x8b\x43\x58"+ // mov rax, [rbx+0x58]: runtime services
		"\xb9\x02\x00\x00\x00"+ // mov ecx, 2: EfiResetShutdown
		"\x31\xd2\x45\x31\xc0\x45\x31\xc9"+ // no status, no data
		"\xff\x50\x68"...) // call [rax+0x68]: ResetSystem
	data := utf16Text(text + "\r\n")
	return pe32(subsystemApp, code, data, len(data))
}

// returnProgram is an EFI application that does nothing and reports success.
func returnProgram() []byte { return pe32(subsystemApp, []byte{0x31, 0xC0, 0xC3}, nil, 1) }

// withLoader makes the files of a system partition that boots.
func withLoader(program []byte) map[string][]byte {
	return map[string][]byte{"EFI/BOOT/BOOTX64.EFI": program}
}

// donorShim is a shim made of Debian's firmware.
func donorShim(t *testing.T) Shim {
	shim, err := ShimFrom(Read(outsideFile(t, ovmfCode, "ovmf")))
	require.NoError(t, err)
	return shim
}

func mustBuild(t *testing.T, build func() ([]byte, error)) []byte {
	b, err := build()
	require.NoError(t, err)
	return b
}
