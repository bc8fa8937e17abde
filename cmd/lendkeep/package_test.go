package main

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/testdata/outside"
)

func packaged(t *testing.T, name string) string {
	content, err := os.ReadFile(filepath.Join("package", name))
	require.NoError(t, err)
	return string(content)
}

func TestPackageIsOfThisVersion(t *testing.T) {
	assert.True(t, strings.HasPrefix(packaged(t, "changelog"), "lendkeep ("+number+") "), "the changelog begins with another version than lendkeep's %s", number)
}

// runs says for every file that starts a process which of the host's programs those
// are; "" is lendkeep itself, or what the operator has named.
var runs = map[string][]string{
	"cmd/lendkeep-hook/front.go":     nil,
	"cmd/lendkeep-hook/takeback.go":  nil,
	"providers/alarm/command.go":     nil,
	"providers/program/do.go":        {"mount", "umount", "mkfs.xfs", "mkfs.ext4"},
	"providers/drive/newfile.go":     {"qemu-img"},
	"providers/drive/probe/probe.go": {"blkid", "wipefs"},
	"providers/sysfs/bind.go":        {"modprobe"},
	"providers/systemd/units.go":     {"systemctl"},
}

// Whatever program of the host's lendkeep runs, its package is asked for by
// lendkeep's, or is there on every Debian. systemctl is run only where systemd is.
func TestPackageDependsOnWhatIsRun(t *testing.T) {
	programs := started(t)
	for _, program := range programs {
		if program == "systemctl" {
			continue
		}
		owner := ownerOf(t, program)
		if asked := regexp.MustCompile(`(?m)^(Depends|Recommends):.*[ ,]` + regexp.QuoteMeta(owner) + `(,| |$)`); !asked.MatchString(packaged(t, "control")) {
			essential, err := exec.Command("dpkg-query", "-W", "-f", "${Essential}", owner).Output()
			require.NoError(t, err)
			assert.Equal(t, "yes", string(essential), "%s is of package %s, which control does not name", program, owner)
		}
	}
}

// started gives the programs of runs, once it is whole.
func started(t *testing.T) []string {
	var programs, named []string
	starts := regexp.MustCompile(`\bexec\.Command(Context)?\(`)
	names := regexp.MustCompile(`\b(?:run|ask)\(ctx, (?:file, )?"([^"]+)"|"(mkfs\.[a-z0-9]+)"|exec\.Command(?:Context)?\((?:ctx, )?"([^"]+)"|program = "([^"]+)"`)
	passed := []string{"providers/libvirt/", "providers/emulated/"} // libvirt runs its own; what an emulated host needs is told where it is missing
	for _, folder := range []string{"cmd", "providers", "reconcile", "spec"} {
		require.NoError(t, fs.WalkDir(os.DirFS("../.."), folder, func(file string, entry fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(file) != ".go" || strings.HasSuffix(file, "_test.go") || slices.ContainsFunc(passed, func(dir string) bool { return strings.HasPrefix(file, dir) }) {
				return err
			}
			content, err := os.ReadFile(filepath.Join("../..", file))
			if _, known := runs[file]; err == nil && starts.Match(content) {
				assert.True(t, known, "%s starts a process; which of the host's programs is not said here", file)
			}
			for _, m := range names.FindAllSubmatch(content, -1) {
				named = append(named, string(slices.Concat(m[1:]...)))
			}
			return err
		}))
	}
	for _, list := range runs {
		programs = append(programs, list...)
	}
	for _, program := range named {
		assert.Contains(t, programs, program)
	}
	require.NotEmpty(t, named)
	return programs
}

// ownerOf gives the package that a program is of, as dpkg(1) says.
func ownerOf(t *testing.T, program string) string {
	if _, err := exec.LookPath("dpkg"); err != nil {
		outside.Missing(t, "dpkg(1) is not here")
	}
	said, err := exec.Command("dpkg", "-S", "*bin/"+program).Output()
	if err != nil {
		outside.Missing(t, program+" is not here")
	}
	// Other packages have programs of that name in folders of their own.
	owner := regexp.MustCompile(`(?m)^([^:]+): (?:/usr)?/s?bin/`).FindSubmatch(said)
	require.NotNil(t, owner, "%s: %s", program, said)
	return string(owner[1])
}

// The package's removal asks lendkeep, an upgrade does not; what lendkeep refuses
// is refused.
func TestRemovalAsksFirst(t *testing.T) {
	for _, c := range []struct {
		arguments string
		ends      int
		asked     string
		refused   bool
	}{
		{"remove", 0, "unguard\n", false},
		{"remove", 1, "unguard\n", true},
		{"remove in-favour other 1.0", 1, "unguard\n", true},
		{"upgrade 0.2.0", 1, "", false},
		{"failed-upgrade 0.2.0", 1, "", false},
		{"deconfigure in-favour other 1.0 removing third 1.0", 1, "", false},
	} {
		bin := t.TempDir()
		stand := "#!/bin/sh\necho \"$@\" >" + bin + "/asked\nexit " + string(rune('0'+c.ends)) + "\n"
		require.NoError(t, os.WriteFile(filepath.Join(bin, "lendkeep"), []byte(stand), 0o755))
		prerm := exec.Command("sh", append([]string{"package/prerm"}, strings.Fields(c.arguments)...)...)
		prerm.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
		err := prerm.Run()
		assert.Equal(t, c.refused, err != nil, c.arguments)
		asked, _ := os.ReadFile(filepath.Join(bin, "asked")) // none: it was not asked
		assert.Equal(t, c.asked, string(asked), c.arguments)
	}
}
