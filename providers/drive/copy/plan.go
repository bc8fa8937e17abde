package copy

import "lendkeep/providers/drive/image"

// piece is a part of the disk that is copied in one way.
type piece struct {
	offset, length int64
	zero           bool // the image's tables say so
}

func (p piece) end() int64 { return p.offset + p.length }

// stretch is what is synced and recorded as one.
type stretch struct {
	pieces []piece
	end    int64
}

// planner makes stretches of extents. Data is widened to whole grains, and
// zeroes between data that are not worth a write of their own become data;
// reading them from the image costs nothing.
type planner struct {
	start int64 // nothing below it is planned
	size  int64
	emit  func(stretch) error

	pieces []piece
	end    int64 // planned so far
}

// add takes the next extent; they come in sequence and without gaps.
func (p *planner) add(e image.Extent) error {
	p.end = max(p.end, p.start)
	end := e.Offset + e.Length
	if e.Zero && end < p.size {
		end -= end % grain
	} else {
		end = min((end+grain-1)/grain*grain, p.size)
	}
	for p.end < end {
		border := p.end - p.end%pace.stretch + pace.stretch
		until := min(end, border)
		p.append(piece{p.end, until - p.end, e.Zero})
		p.end = until
		if until < border && until < p.size {
			continue
		}
		full := stretch{pieces: p.pieces, end: until}
		p.pieces = nil
		if err := p.emit(full); err != nil {
			return err
		}
	}
	return nil
}

// append adds a piece behind the last, and joins what is alike or small.
func (p *planner) append(next piece) {
	n := len(p.pieces)
	if n > 1 && !next.zero && p.pieces[n-1].zero && p.pieces[n-1].length < smallGap {
		p.pieces[n-2].length += p.pieces[n-1].length
		p.pieces = p.pieces[:n-1]
		n--
	}
	if n > 0 && p.pieces[n-1].zero == next.zero {
		p.pieces[n-1].length += next.length
		return
	}
	p.pieces = append(p.pieces, next)
}

// blocks cuts pieces at multiples of blockBytes of the disk, so that a
// compressed cluster is never in two.
func blocks(pieces []piece) []piece {
	var cut []piece
	for _, p := range pieces {
		for p.length > 0 {
			length := min(p.length, blockBytes-p.offset%blockBytes)
			cut = append(cut, piece{p.offset, length, p.zero})
			p.offset += length
			p.length -= length
		}
	}
	return cut
}
