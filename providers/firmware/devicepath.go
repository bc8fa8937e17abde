package firmware

import (
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"

	"lendkeep/providers/formats/guid"
	"lendkeep/reconcile/facts"
)

// Types and subtypes of device path nodes, UEFI 2.10, 10.3.
const (
	pathHardware  = 0x01
	pathACPI      = 0x02
	pathMessaging = 0x03
	pathMedia     = 0x04
	pathEnd       = 0x7F
	pathEndWhole  = 0xFF // the end, not only of one instance

	nodePCI    = pathHardware<<8 | 0x01
	nodeACPI   = pathACPI<<8 | 0x01
	nodeSCSI   = pathMessaging<<8 | 0x02
	nodeUSB    = pathMessaging<<8 | 0x05
	nodeMAC    = pathMessaging<<8 | 0x0B
	nodeSATA   = pathMessaging<<8 | 0x12
	nodeNVMe   = pathMessaging<<8 | 0x17
	nodeHD     = pathMedia<<8 | 0x01
	nodeCD     = pathMedia<<8 | 0x02
	nodeFile   = pathMedia<<8 | 0x04
	nodeFVFile = pathMedia<<8 | 0x06
	nodeFV     = pathMedia<<8 | 0x07
)

// pathNode is one node of a device path.
type pathNode struct {
	kind uint16 // type and subtype
	data []byte // behind the four bytes of header
}

// devicePath is the first instance of a device path, without its end.
type devicePath []pathNode

// readDevicePath reads nodes up to the end node, which must be there.
func readDevicePath(b []byte) (devicePath, error) {
	var path devicePath
	for {
		if len(b) < 4 {
			return nil, fmt.Errorf("it has no end")
		}
		length := int(binary.LittleEndian.Uint16(b[2:]))
		if length < 4 || length > len(b) {
			return nil, fmt.Errorf("node of %d bytes where %d are left", length, len(b))
		}
		if b[0] == pathEnd {
			return path, nil
		}
		path = append(path, pathNode{uint16(b[0])<<8 | uint16(b[1]), b[4:length]})
		b = b[length:]
	}
}

// String gives the text form of UEFI 2.10, 10.6, as the Shell and firmware
// messages print it.
func (p devicePath) String() string {
	texts := make([]string, len(p))
	for i, node := range p {
		texts[i] = node.String()
	}
	return strings.Join(texts, "/")
}

// partition gives the GPT partition that the path names, if any.
func (p devicePath) partition() *facts.SystemPartition {
	for _, node := range p {
		if found := node.gptPartition(); found != nil {
			return found
		}
	}
	return nil
}

// file joins the path's file nodes.
func (p devicePath) file() string {
	var parts []string
	for _, node := range p {
		if node.kind == nodeFile {
			parts = append(parts, node.fileText())
		}
	}
	return strings.Join(parts, `\`)
}

// gptPartition reads a hard drive node (10.3.5.1) of a GPT disk.
func (n pathNode) gptPartition() *facts.SystemPartition {
	const signatureGUID = 2
	if n.kind != nodeHD || len(n.data) != 38 || n.data[37] != signatureGUID {
		return nil
	}
	return &facts.SystemPartition{
		Number:  int(binary.LittleEndian.Uint32(n.data)),
		First:   binary.LittleEndian.Uint64(n.data[4:]),
		Sectors: binary.LittleEndian.Uint64(n.data[12:]),
		ID:      guid.GUID(n.data[20:36]).String(),
	}
}

// fileText reads a file path node; one that is no proper string is shown as
// far as it is.
func (n pathNode) fileText() string {
	var units []uint16
	for i := 0; i+1 < len(n.data); i += 2 {
		unit := binary.LittleEndian.Uint16(n.data[i:])
		if unit == 0 {
			break
		}
		units = append(units, unit)
	}
	return string(utf16.Decode(units))
}

// String gives one node's text; a node that is not known here, or not of the
// length its kind has, is shown as Path(type,subtype,bytes) (10.6.1.1).
func (n pathNode) String() string {
	if text := n.known(); text != "" {
		return text
	}
	return fmt.Sprintf("Path(%d,%d,%X)", n.kind>>8, n.kind&0xFF, n.data)
}

func (n pathNode) known() string {
	d, le := n.data, binary.LittleEndian
	switch {
	case n.kind == nodePCI && len(d) == 2: // function, device
		return fmt.Sprintf("Pci(0x%X,0x%X)", d[1], d[0])
	case n.kind == nodeACPI && len(d) == 8:
		return acpiText(le.Uint32(d), le.Uint32(d[4:]))
	case n.kind == nodeSCSI && len(d) == 4:
		return fmt.Sprintf("Scsi(0x%X,0x%X)", le.Uint16(d), le.Uint16(d[2:]))
	case n.kind == nodeUSB && len(d) == 2:
		return fmt.Sprintf("USB(0x%X,0x%X)", d[0], d[1])
	case n.kind == nodeMAC && len(d) == 33: // 32 bytes of address, kind of interface
		return fmt.Sprintf("MAC(%X,0x%X)", d[:6], d[32])
	case n.kind == nodeSATA && len(d) == 6:
		return fmt.Sprintf("Sata(0x%X,0x%X,0x%X)", le.Uint16(d), le.Uint16(d[2:]), le.Uint16(d[4:]))
	case n.kind == nodeNVMe && len(d) == 12: // namespace, EUI-64
		return fmt.Sprintf("NVMe(0x%X,%s)", le.Uint32(d), strings.ReplaceAll(fmt.Sprintf("% X", d[4:]), " ", "-"))
	case n.kind == nodeHD && n.gptPartition() != nil:
		return partitionNode(*n.gptPartition())
	case n.kind == nodeCD && len(d) == 20:
		return fmt.Sprintf("CDROM(0x%X,0x%X,0x%X)", le.Uint32(d), le.Uint64(d[4:]), le.Uint64(d[12:]))
	case n.kind == nodeFile:
		return n.fileText()
	case n.kind == nodeFVFile && len(d) == 16:
		return fmt.Sprintf("FvFile(%s)", guid.GUID(d).Upper())
	case n.kind == nodeFV && len(d) == 16:
		return fmt.Sprintf("Fv(%s)", guid.GUID(d).Upper())
	}
	return ""
}

// acpiText names PCI root bridges and leaves the rest as numbers.
func acpiText(hid, uid uint32) string {
	switch hid {
	case 0x0A0341D0: // PNP0A03
		return fmt.Sprintf("PciRoot(0x%X)", uid)
	case 0x0A0841D0: // PNP0A08
		return fmt.Sprintf("PcieRoot(0x%X)", uid)
	}
	return fmt.Sprintf("Acpi(0x%08X,0x%X)", hid, uid)
}

// hardDriveNode names a GPT partition (10.3.5.1); the last two bytes say that
// the disk has a GPT and that the id is a GUID.
func hardDriveNode(p facts.SystemPartition, id guid.GUID) []byte {
	b := []byte{pathMedia, byte(nodeHD & 0xFF), 42, 0}
	b = binary.LittleEndian.AppendUint32(b, uint32(p.Number))
	b = binary.LittleEndian.AppendUint64(b, p.First)
	b = binary.LittleEndian.AppendUint64(b, p.Sectors)
	return append(append(b, id[:]...), 2, 2)
}

// filePathNode is a media file path node (10.3.5.4).
func filePathNode(path string) []byte {
	text := utf16Text(path)
	node := []byte{pathMedia, byte(nodeFile & 0xFF), 0, 0}
	binary.LittleEndian.PutUint16(node[2:], uint16(4+len(text)))
	return append(node, text...)
}

// endNode ends a device path.
func endNode() []byte { return []byte{pathEnd, pathEndWhole, 4, 0} }

// utf16Text encodes text as UEFI's strings are, with its final zero.
func utf16Text(text string) []byte {
	var b []byte
	for _, unit := range append(utf16.Encode([]rune(text)), 0) {
		b = binary.LittleEndian.AppendUint16(b, unit)
	}
	return b
}
