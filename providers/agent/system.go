package agent

import (
	"errors"
	"fmt"
	"strings"
)

// System is the system that a guest runs, by its own word.
type System struct {
	Kind    Kind
	Name    string // "Debian GNU/Linux 12 (bookworm)", "Microsoft Windows 11"
	Kernel  string // its release: "6.1.0-56-amd64", "22631"
	Machine string // "x86_64", "aarch64"
}

// Kind is a kind of system.
type Kind string

// The kinds that are known. Every other system is an error where its kind matters.
const (
	Linux   Kind = "linux"
	Windows Kind = "windows"
)

// kindOf tells the kind: Windows gives the id mswindows (qga/commands-win32.c);
// of the others only Linux has a version that begins with the build's number sign
// (uname(2), its scripts/mkcompile_h).
func kindOf(id, version string) Kind {
	switch {
	case id == "mswindows":
		return Windows
	case strings.HasPrefix(version, "#"):
		return Linux
	default:
		return ""
	}
}

// readSystem reads the answer of guest-get-osinfo, in which everything may lack.
func readSystem(content []byte) (System, error) {
	var said struct {
		ID      string `json:"id"`
		Name    string `json:"name"`
		Pretty  string `json:"pretty-name"`
		Release string `json:"kernel-release"`
		Version string `json:"kernel-version"`
		Machine string `json:"machine"`
	}
	if err := object(content, &said); err != nil {
		return System{}, err
	}
	name := said.Pretty
	if name == "" {
		name = said.Name
	}
	return System{kindOf(said.ID, said.Version), quoted(name), quoted(said.Release), quoted(said.Machine)}, nil
}

// architectures are what systems call those of Go's (uname(2); for Windows
// qga/commands-win32.c, ga_get_current_arch).
var architectures = map[string]string{"x86_64": "amd64", "aarch64": "arm64", "arm64": "arm64"}

// Build names the system as Go does, "linux-amd64": which program runs in it.
func (s System) Build() (string, error) {
	arch := architectures[s.Machine]
	if s.Kind == "" || arch == "" {
		return "", fmt.Errorf("%w: it says %q, kernel %q, machine %q", ErrStrange, s.Name, s.Kernel, s.Machine)
	}
	return string(s.Kind) + "-" + arch, nil
}

// ErrStrange is the error where a guest's system is of no kind that is known.
var ErrStrange = errors.New("neither Linux nor Windows on a machine that is known is what the guest runs")
