package image

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/cavaliergopher/cpio"
)

// WriteInitrd writes the first filesystem of a boot: the agent as /init and
// the early modules under /modules. It is not compressed, as software
// emulation reads faster than it unpacks. /dev/console is in the kernel's own
// first filesystem (usr/default_cpio_list).
func (i Image) WriteInitrd(out io.Writer, agent string) error {
	archive := cpio.NewWriter(out)
	modules, err := filepath.Glob(filepath.Join(i.modules(), "*.ko"))
	if err != nil {
		return fmt.Errorf("write initrd: %w", err)
	}
	for _, folder := range []string{"dev", "proc", "sys", "root", "modules"} {
		if err := archive.WriteHeader(&cpio.Header{Name: folder, Mode: cpio.TypeDir | 0o755, Links: 2}); err != nil {
			return fmt.Errorf("write initrd: %w", err)
		}
	}
	if err := addFile(archive, "init", agent); err != nil {
		return fmt.Errorf("write initrd: %w", err)
	}
	for _, module := range modules {
		if err := addFile(archive, "modules/"+filepath.Base(module), module); err != nil {
			return fmt.Errorf("write initrd: %w", err)
		}
	}
	if err := archive.Close(); err != nil {
		return fmt.Errorf("write initrd: %w", err)
	}
	return nil
}

func addFile(archive *cpio.Writer, name, file string) error {
	content, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	header := &cpio.Header{Name: name, Mode: cpio.TypeReg | 0o755, Links: 1, Size: int64(len(content))}
	if err := archive.WriteHeader(header); err != nil {
		return err
	}
	_, err = archive.Write(content)
	return err
}
