package firmware

import (
	_ "embed"
	"fmt"
	"strings"
	"text/template"

	"lendkeep/providers/formats/guid"
)

// Where things lie on a shim disk, as the Shell spells paths. The names are
// all of the 8.3 kind, so none depends on how long names are written.
const (
	shimFolder = "LENDKEEP" // every shim disk has it, and no shim starts a volume that has it
	shimDriver = shimFolder + `\DRIVER.EFI`
	shimIdle   = shimFolder + `\IDLE.EFI`
	shimTry    = shimFolder + `\TRY.NSH`

	// tryScript starts what it is given. The Shell ends a script at the
	// first program that fails, so each loader gets a script of its own. A
	// script's arguments keep their quotation marks.
	tryScript = "@echo -off\r\n%1\r\n"

	// Volumes and rows of the map that the script looks at. A guest with more
	// drives than that has other ways to boot.
	lastVolume = 31
	lastRow    = 96
)

// DefaultLoaders are tried on a volume, in this order, when a Shim states none:
// the path for removable media (UEFI 2.10, 3.5.1.1) and Windows' own.
func DefaultLoaders() []string {
	return []string{`\EFI\BOOT\BOOTX64.EFI`, `\EFI\Microsoft\Boot\bootmgfw.efi`}
}

//go:embed startup.nsh
var startupText string

var startupTemplate = template.Must(template.New("startup.nsh").Parse(startupText))

// startupValues fills the template; its fields are named there.
type startupValues struct {
	Folder, Tag         string
	Driver, Idle, Try   string
	Node                string // of the wanted partition; empty: any
	Loaders             []string
	Nothing             string
	PowerOff            bool
	LastVolume, LastRow int
}

// script writes the startup script for a disk that knows itself by tag.
func (s Shim) script(tag string) (string, error) {
	loaders := s.loaders()
	for _, path := range loaders {
		if err := checkLoaderPath(path); err != nil {
			return "", err
		}
	}
	values := startupValues{
		Folder: shimFolder, Tag: shimFolder + `\` + tag,
		Driver: shimDriver, Idle: shimIdle, Try: shimTry,
		Loaders: loaders, PowerOff: s.Ending == PowerOff,
		LastVolume: lastVolume, LastRow: lastRow,
		Nothing: "no system found: none of the volumes has " + strings.Join(loaders, " or "),
	}
	if s.Wanted != nil {
		id, err := guid.Parse(s.Wanted.ID)
		if err != nil {
			return "", fmt.Errorf("partition %d: %w", s.Wanted.Number, err)
		}
		values.Node = partitionNode(*s.Wanted)
		values.Nothing = fmt.Sprintf("no system found: no volume is partition %s with %s",
			id.Upper(), strings.Join(loaders, " or "))
	}
	var text strings.Builder
	if err := startupTemplate.Execute(&text, values); err != nil {
		return "", err
	}
	return strings.ReplaceAll(text.String(), "\n", "\r\n"), nil
}

// checkLoaderPath keeps out what the Shell would take for something else than
// a path: quotes, variables, wildcards, redirections.
func checkLoaderPath(path string) error {
	if !strings.HasPrefix(path, `\`) || strings.HasSuffix(path, `\`) {
		return fmt.Errorf("loader path %q: not of the form \\FOLDER\\FILE.EFI", path)
	}
	for _, r := range path {
		if r < ' ' || r > '~' || strings.ContainsRune("\"%^*?[]<>|#:/;,", r) {
			return fmt.Errorf("loader path %q: %q is not allowed in it", path, r)
		}
	}
	return nil
}
