package boots

import (
	"fmt"
	"path"
	"regexp"
	"strings"
)

// releaseForm is what a kernel's release is made of.
var releaseForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._+~-]{0,63}$`)

// IsRelease tells whether a text may be a kernel's release, and become part of paths.
func IsRelease(text string) bool { return releaseForm.MatchString(text) }

// ModuleOf gives the release to whose modules a file belongs, and its path below them.
func ModuleOf(name string) (release, inside string) {
	_, rest, found := strings.Cut("/"+name, "/lib/modules/")
	if !found {
		return "", ""
	}
	release, inside, _ = strings.Cut(rest, "/")
	return release, inside
}

// sealed are archives within an initramfs that are not looked into (dracut's
// 99squash and its successors).
var sealed = map[string]bool{"squashfs-root.img": true, "squash-root.img": true, "erofs-root.img": true, "root.squashfs": true, "root.img": true}

// InInitramfs tells whether a regular file of an initramfs is the driver of a kernel,
// of which the release is "" where it is not known. An error says why the whole may
// hold more, or for another kernel.
func InInitramfs(name string, bytes int64, release string) (bool, error) {
	of, _ := ModuleOf(name)
	switch {
	case IsModule(name) && bytes > 0 && (of == "" || of == release):
		return true, nil
	case IsModule(name) && release == "":
		return false, fmt.Errorf("it has the driver for kernel %.80q; which one is started is not known", of)
	case IsModule(name):
		return false, fmt.Errorf("it has the driver for another kernel (%.80q)", of)
	case sealed[path.Base(name)]:
		return false, fmt.Errorf("it holds %.80q, which lendkeep does not look into", name)
	}
	return false, nil
}
