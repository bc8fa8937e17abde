package fault

// Disk is a file in memory under a journal. It knows what is on the disk for
// good: the bytes that were there at the last sync.
type Disk struct {
	Fault   *Fault
	content []byte
	synced  int
}

// Write adds to the file.
func (d *Disk) Write(p []byte) (int, error) {
	err := d.Fault.call(Call{Label: "write the journal", Deed: true, Journal: true}, func() error {
		d.content = append(d.content, p...)
		return nil
	})
	if err != nil {
		return 0, err
	}
	return len(p), nil
}

// Sync puts what was written on the disk.
func (d *Disk) Sync() error {
	return d.Fault.call(Call{Label: "sync the journal", Deed: true, Journal: true}, func() error {
		d.synced = len(d.content)
		return nil
	})
}

// Close does nothing.
func (d *Disk) Close() error { return nil }

// Killed gives what is left after the process was killed: all that was written.
func (d *Disk) Killed() []byte { return d.content }

// PowerCut gives what is left after a power cut: what was synced, and torn
// bytes of what was not.
func (d *Disk) PowerCut() []byte {
	torn := (len(d.content) - d.synced) / 2
	return d.content[:d.synced+torn]
}
