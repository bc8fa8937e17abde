package firmware

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"lendkeep/providers/formats/fat"
	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// What a shim's script says of how it was built; the rest follows from that.
var (
	scriptNode    = regexp.MustCompile(`(?m)^# with this behind it: HD\((\d{1,3}),GPT,([0-9A-F-]{36}),0x([0-9A-F]{1,16}),0x([0-9A-F]{1,16})\)\r$`)
	scriptLoader  = regexp.MustCompile(`(?m)^      echo "lendkeep: starting %c(\\[^"\r]*)"\r$`)
	scriptPowers  = "reset -s\r\n"
	errShimChange = errors.New("it is not as lendkeep builds it")
)

// ReadShim reads a shim disk that Build made; any other content is an error.
// What it says is believed only as far as the same disk comes out of it again.
func ReadShim(content []byte) (Shim, error) {
	shim, err := readShim(content)
	if err == nil {
		var again []byte
		if again, err = shim.Build(); err == nil && !bytes.Equal(again, content) {
			err = errShimChange
		}
	}
	if err != nil {
		return Shim{}, fmt.Errorf("read shim disk: %w", err)
	}
	return shim, nil
}

func readShim(content []byte) (Shim, error) {
	if len(content) != shimSize {
		return Shim{}, fmt.Errorf("%d bytes are none", len(content))
	}
	volume, err := fat.Open(bytes.NewReader(content[shimFirst*shimSector:]), (shimLast-shimFirst+1)*shimSector)
	if err != nil {
		return Shim{}, err
	}
	var shim Shim
	if shim.Shell, err = contentOf(volume, unixPath(shellPath)); err != nil {
		return Shim{}, err
	}
	if shim.Driver, err = contentOf(volume, unixPath(shimDriver)); err != nil {
		return Shim{}, err
	}
	script, err := contentOf(volume, "EFI/BOOT/STARTUP.NSH")
	if err != nil {
		return Shim{}, err
	}
	return shim, shim.readScript(string(script))
}

// readScript reads what the script was made of.
func (s *Shim) readScript(script string) error {
	for _, found := range scriptLoader.FindAllStringSubmatch(script, -1) {
		s.Loaders = append(s.Loaders, found[1])
	}
	if slices.Equal(s.Loaders, DefaultLoaders()) {
		s.Loaders = nil
	}
	if strings.HasSuffix(script, scriptPowers) {
		s.Ending = PowerOff
	}
	found := scriptNode.FindStringSubmatch(script)
	if found == nil {
		return nil
	}
	id, err := guid.Parse(found[2])
	if err != nil {
		return err
	}
	number, _ := strconv.Atoi(found[1]) // the pattern lets numbers of that length through alone
	first, _ := strconv.ParseUint(found[3], 16, 64)
	sectors, _ := strconv.ParseUint(found[4], 16, 64)
	s.Wanted = &facts.SystemPartition{Number: number, ID: id.String(), First: first, Sectors: sectors}
	return nil
}

// contentOf gives a file of at most shimContent bytes, by its path with slashes.
func contentOf(v *fat.Volume, named string) ([]byte, error) {
	files, err := v.Root()
	for parts := strings.Split(named, "/"); err == nil; parts = parts[1:] {
		at := slices.IndexFunc(files, func(f fat.File) bool { return strings.EqualFold(f.Name, parts[0]) })
		switch {
		case at < 0 || files[at].Folder != (len(parts) > 1):
			return nil, fmt.Errorf("no file %s", named)
		case len(parts) > 1:
			files, err = v.List(files[at].Cluster)
		case files[at].Bytes > shimContent:
			return nil, fmt.Errorf("file %s of %d bytes", named, files[at].Bytes)
		default:
			return v.Read(files[at].Cluster, files[at].Bytes, false)
		}
	}
	return nil, fmt.Errorf("file %s: %w", named, err)
}
