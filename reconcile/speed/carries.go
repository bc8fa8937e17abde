package speed

// encoded gives, for a speed in millions of transfers a second, the part of them
// that the encoding leaves, as PCIE_SPEED2MBS_ENC of Linux (drivers/pci/pci.h) has
// it, and in flits of 256 bytes the 236 that are for packets; and what each packet
// has besides its data, in bytes (PCI Express Base Specification, Transaction and
// Data Link Layer): at least framing and sequence number 4, a header of three double
// words 12, LCRC 4; in a flit only the header. A header for an address above 4 GiB
// has 4 bytes more, and acknowledgements, credits and skips take their part too: a
// drive that works well ends some percent below.
var encoded = map[int]struct {
	left   float64
	beside int
}{
	2500:  {8. / 10, 20},
	5000:  {8. / 10, 20},
	8000:  {128. / 130, 20},
	16000: {128. / 130, 20},
	32000: {128. / 130, 20},
	64000: {236. / 256, 12},
}

// leastPayload is the least that Max_Payload_Size of the Device Control register
// can be, in bytes.
const leastPayload = 128

// carries gives the bytes of data a second, one way, in packets of so much data; 0:
// not known.
func (l Link) carries(payloadBytes int) float64 {
	return carried(l.SpeedMTps, l.Width, payloadBytes, encoded[l.SpeedMTps].beside)
}

func carried(speedMTps, width, payloadBytes, beside int) float64 {
	raw := float64(speedMTps) * 1e6 / 8 * float64(width) * encoded[speedMTps].left
	return raw * float64(payloadBytes) / float64(payloadBytes+beside)
}
