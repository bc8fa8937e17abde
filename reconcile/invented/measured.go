package invented

import (
	"time"

	"lendkeep/reconcile/speed"
)

// Measured gives a sound result of a lent NVMe drive: every kind, five runs of two
// seconds each, of which run i of kind k is at rate(k, i) bytes a second.
func Measured(label string, rate func(k speed.Kind, i int) float64) speed.Result {
	size, load, warm, fill, none := int64(1000204886016), 3, 41, 12, 0
	r := speed.Result{
		Format: speed.Format, Program: "1.4.0", Label: label,
		Clock: speed.Clock{Began: time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC), Boot: 3 * time.Hour},
		Place: speed.Place{Side: speed.Guest, System: "linux", Machine: "amd64", Name: "Debian GNU/Linux 12 (bookworm)",
			Release: "6.1.0-56-amd64", Processors: 8, MemoryBytes: 16 << 30},
		Target: speed.Target{Form: speed.Folder, Path: "/srv/reel", Filesystem: "ext4", Block: "nvme0n1", Driver: "nvme",
			Drive: speed.Drive{Model: "Studio 1TB", Serial: "S0REEL01", Firmware: "2B2QEXM7", Bus: "nvme", SizeBytes: size, SectorBytes: 512}},
		Method: speed.Method{Through: "io_uring", Direct: true, Write: true, FileBytes: 8 << 30, Written: 8 << 30, Runs: 5, RunLasts: 2 * time.Second},
		Around: speed.Around{LoadPercent: &load, DriveBusyPercent: &none, StealPercent: &none, CachedPercent: &none, ZerosPercent: &none, Power: "performance", TemperatureC: &warm, FillPercent: &fill, WriteCache: "write back"},
	}
	at := 5 * time.Second // the file is laid out
	for _, k := range speed.Kinds {
		s := speed.Series{Kind: k}
		for i := range r.Method.Runs {
			run := ran(k, at, 2*time.Second, rate(k, i))
			s.Runs, at = append(s.Runs, run), at+run.Took
			if k.Deed == speed.Write {
				r.Method.Written += run.Bytes
			}
		}
		r.Series = append(r.Series, s)
	}
	r.Clock.Took = at + time.Second
	r.Clock.Ended = r.Clock.Began.Add(r.Clock.Took)
	return r
}

// ran is a run whose operations all wait as long as the rate and the depth say.
func ran(k speed.Kind, at, took time.Duration, rate float64) speed.Run {
	operations := max(1, int64(rate*took.Seconds())/k.BlockBytes)
	each := time.Duration(k.Depth) * took / time.Duration(max(operations, int64(k.Depth)))
	return speed.Run{At: at, Took: took, Operations: operations, Bytes: operations * k.BlockBytes,
		P50: each, P99: each, P999: each, CPU: took / 10}
}
