package fat

import (
	"fmt"
	"io"
)

// fileMost bounds a file that is opened, in bytes.
const fileMost = 1 << 30

// content is a file by its clusters.
type content struct {
	v        *Volume
	clusters []uint32
	bytes    int64
}

// Open gives the bytes of a file. A chain that is shorter than the file is an error.
func (v *Volume) Open(f File) (io.ReaderAt, error) {
	c := &content{v: v, bytes: f.Bytes}
	if f.Folder || f.Bytes > fileMost {
		return nil, fmt.Errorf("%q is a folder, or too large", f.Name)
	}
	cluster := f.Cluster
	for need := (f.Bytes + v.clusterSize - 1) / v.clusterSize; need > 0; need-- {
		if err := v.check(cluster); err != nil {
			return nil, err
		}
		c.clusters = append(c.clusters, cluster)
		var err error
		if cluster, err = v.next(cluster); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// ReadAt reads up to the end of the file.
func (c *content) ReadAt(p []byte, at int64) (int, error) {
	if at < 0 || at >= c.bytes {
		return 0, io.EOF
	}
	whole := len(p)
	p = p[:min(int64(whole), c.bytes-at)]
	for done := 0; done < len(p); {
		offset := at + int64(done)
		inside := offset % c.v.clusterSize
		rest := p[done:]
		rest = rest[:min(int64(len(rest)), c.v.clusterSize-inside)]
		cluster := c.clusters[offset/c.v.clusterSize]
		if err := readFull(c.v.r, rest, c.v.dataAt+int64(cluster-2)*c.v.clusterSize+inside); err != nil {
			return done, fmt.Errorf("read cluster %d: %w", cluster, err)
		}
		done += len(rest)
	}
	if len(p) < whole {
		return len(p), io.EOF
	}
	return len(p), nil
}
