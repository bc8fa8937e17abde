package content

import (
	"fmt"
	"io"

	"lendkeep/reconcile/facts"
)

// finding is what one recogniser saw; without a signature it saw nothing.
type finding struct {
	signature *facts.Signature
	condition facts.Condition
	why       string
}

// recognisers lists all, with those of arrays and of encryption first: what is
// found beside those is theirs, as libblkid has it.
var recognisers = []func(*volume) finding{
	raidMember, tailMember, volumeGroupMember, encrypted, bitLocker, poolMember, otherMembers,
	swap, xfs, ext, ntfsVolume, fat, exfat, btrfs, iso, otherFilesystems,
}

// Look looks into one partition, or a part of a drive, by its first byte and its
// size. What cannot be read or told is the volume's Gap.
func Look(r io.ReaderAt, start, size uint64) facts.Volume {
	found, err := look(newVolume(r, start, size))
	v := facts.Volume{Signature: found.signature, Condition: found.condition, Why: found.why}
	if err != nil {
		v.Gap = err.Error()
	}
	return v
}

// look finds what a volume holds. With two signatures none is believed: which
// one is left over cannot be told.
func look(v *volume) (finding, error) {
	var found finding
	for _, recognise := range recognisers {
		next := recognise(v)
		if v.err != nil {
			return finding{condition: facts.UnsureIfClean, why: "it could not be read"}, v.err
		}
		switch {
		case next.signature == nil:
		case found.signature == nil:
			found = next
			if next.signature.Usage == "raid" || next.signature.Usage == "crypto" {
				return found, nil
			}
		default:
			err := fmt.Errorf("it has the signatures of %s and of %s", found.signature.Kind, next.signature.Kind)
			found.condition, found.why = facts.UnsureIfClean, err.Error()
			return found, err
		}
	}
	if found.signature != nil {
		return found, nil
	}
	zero := allZero(v.at(0, min(mib, v.size)))
	if v.err != nil {
		return finding{condition: facts.UnsureIfClean, why: "it could not be read"}, v.err
	}
	if !zero {
		found.condition, found.why = facts.UnsureIfClean, "it has no signature that is known, and its first MiB is not zeroes"
	}
	return found, nil
}

func filesystem(kind, id, label string, condition facts.Condition, why string) finding {
	return finding{&facts.Signature{Kind: kind, Usage: "filesystem", Label: label, UUID: id}, condition, why}
}

func member(kind, usage, id, label string) finding {
	return finding{signature: &facts.Signature{Kind: kind, Usage: usage, Label: label, UUID: id}}
}
