package hook

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// maxOwn bounds a file of the folder: an order that names a thousand guests has
// about 100 KB.
const maxOwn = 1 << 20

// readOwn reads a file of the guard's folder. What is no regular file is not
// waited for.
func readOwn(name string) ([]byte, error) {
	file, err := os.OpenFile(name, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOFOLLOW, 0)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	stat, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if !stat.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no regular file", name)
	}
	content, err := io.ReadAll(io.LimitReader(file, maxOwn+1))
	if err == nil && len(content) > maxOwn {
		err = errors.New(name + " is longer than any that lendkeep writes")
	}
	return content, err
}

// writeOwn replaces a file of the guard's folder whole, for root alone.
func writeOwn(name string, content []byte) error {
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		return err
	}
	return replace(name, content, 0o600, filepath.Dir(name))
}
