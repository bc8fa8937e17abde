package firmware

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"

	"lendkeep/providers/files"
	"lendkeep/reconcile/facts"
)

// Stores writes the variable stores of guests that are off, below a root
// directory. What a store was before lies in Keep, under its sha256.
type Stores struct {
	Root string
	Keep string
}

// PutEntry makes an entry the first in the boot order of a store that has that
// sha256. The old content is kept before, and the store changes as a whole.
func (s Stores) PutEntry(_ context.Context, store, sum string, entry facts.NewEntry) error {
	if err := s.put(store, sum, entry); err != nil {
		return fmt.Errorf("write boot entry into %s: %w", store, err)
	}
	return nil
}

func (s Stores) put(store, sum string, entry facts.NewEntry) error {
	content, err := readImageFile(files.Dir(s.Root), store)
	if err != nil {
		return err
	}
	if is := hashOf(content); is != sum {
		return fmt.Errorf("it has changed: its sha256 is %s", is)
	}
	after, _, err := PutFirst(content, entry)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.Keep, 0o700); err != nil {
		return err
	}
	// Variables may hold secrets of the guest's, such as keys.
	if err := files.Write(s.kept(sum), content, files.Private); err != nil {
		return fmt.Errorf("keep the old variables: %w", err)
	}
	return s.replace(store, after)
}

// Restore gives a store the content that was kept under that sha256.
func (s Stores) Restore(_ context.Context, store, sum string) error {
	content, err := files.Read(s.kept(sum), maxImage)
	if err == nil && hashOf(content) != sum {
		err = fmt.Errorf("%s is damaged", s.kept(sum))
	}
	if err == nil {
		err = s.replace(store, content)
	}
	if err != nil {
		return fmt.Errorf("restore variables in %s: %w", store, err)
	}
	return nil
}

func (s Stores) kept(sum string) string { return filepath.Join(s.Keep, sum+".fd") }

// replace exchanges the content of a file and nothing else: QEMU's user owns
// it, and keeps it.
func (s Stores) replace(store string, content []byte) error {
	return files.Exchange(filepath.Join(s.Root, store), content)
}

func hashOf(content []byte) string { return fmt.Sprintf("%x", sha256.Sum256(content)) }
