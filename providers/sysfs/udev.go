package sysfs

import (
	"errors"
	"io/fs"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// udevRecord is what udev found out about a device: run/udev/data/bMAJ:MIN, one
// letter, colon and value a line (systemd src/libsystemd/sd-device/
// device-private.c). It holds what blkid recognised.
type udevRecord struct {
	links []string // S: names below /dev
	words map[string]string
}

var errNoRecord = errors.New("udev has no record of it")

func (r *reader) udev(at facts.Devno) (udevRecord, error) {
	record := udevRecord{words: map[string]string{}}
	content, err := r.read("run/udev/data/b" + at.String())
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return record, errNoRecord
	case err != nil:
		return record, err
	case !ended(content):
		return record, errCut
	}
	for line := range strings.Lines(string(content)) {
		kind, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ":")
		switch kind {
		case "S":
			record.links = append(record.links, value)
		case "E":
			name, word, _ := strings.Cut(value, "=")
			record.words[name] = word
		}
	}
	slices.Sort(record.links)
	return record, nil
}

// word gives a value that udev writes with its odd bytes as \xHH.
func (r udevRecord) word(name string) string { return facts.UnescapeHex(r.words[name]) }

// signature gives what blkid recognised; nil is its word for nothing. More than
// one signature at once is an error, since then neither can be relied on.
func (r udevRecord) signature() (*facts.Signature, error) {
	if several := r.words["ID_FS_AMBIVALENT"]; several != "" {
		return nil, errors.New("more than one signature: " + several)
	}
	kind := r.words["ID_FS_TYPE"]
	if kind == "" {
		return nil, nil
	}
	return &facts.Signature{
		Kind: kind, Usage: r.words["ID_FS_USAGE"],
		Label: r.word("ID_FS_LABEL_ENC"), UUID: r.word("ID_FS_UUID_ENC"),
	}, nil
}

func (r udevRecord) table() *facts.PartitionTable {
	if r.words["ID_PART_TABLE_TYPE"] == "" {
		return nil
	}
	return &facts.PartitionTable{Kind: r.words["ID_PART_TABLE_TYPE"], ID: r.words["ID_PART_TABLE_UUID"]}
}

// entry fills what the partition table says of a partition. A whole drive's
// words are also in the records of its partitions, but not the other way round.
func (r udevRecord) entry(p *facts.Partition) {
	p.ID = strings.ToLower(r.words["ID_PART_ENTRY_UUID"])
	p.Type = strings.ToLower(r.words["ID_PART_ENTRY_TYPE"])
	p.Name = r.word("ID_PART_ENTRY_NAME")
}
