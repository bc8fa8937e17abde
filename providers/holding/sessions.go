package holding

import (
	"bufio"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"net/netip"
	"os"
	"slices"
	"strings"

	"lendkeep/reconcile/facts"
)

// established is the state of a TCP connection that stands (Linux
// include/net/tcp_states.h, TCP_ESTABLISHED).
const established = "01"

// maxConnections bounds what is read of the list of connections, of about 150 bytes
// each.
const maxConnections = 64 << 20

// sessions gives who is logged in over the network: where this process itself was
// called from (ssh(1), SSH_CONNECTION: address and port of the client, then of the
// host), and every connection that sshd has.
func sessions(own string, list []process) ([]facts.Session, error) {
	var found []facts.Session
	if words := strings.Fields(own); len(words) == 4 {
		found = append(found, facts.Session{Address: words[2], Who: "the one of this call"})
	}
	sockets := map[string]process{}
	for _, p := range list {
		if name, _ := os.ReadFile(p.path("comm")); !strings.HasPrefix(string(name), "sshd") {
			continue
		}
		more, err := socketsOf(p)
		if err != nil {
			return found, err
		}
		maps.Copy(sockets, more)
	}
	for _, name := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		if len(sockets) == 0 {
			continue
		}
		more, err := connections(name, sockets)
		if err != nil && !vanished(err) {
			return found, fmt.Errorf("read connections: %w", err)
		}
		found = append(found, more...)
	}
	slices.SortFunc(found, func(a, b facts.Session) int { return strings.Compare(a.Address+" "+a.Who, b.Address+" "+b.Who) })
	return slices.Compact(found), nil
}

// socketsOf gives the inodes of a process's sockets.
func socketsOf(p process) (map[string]process, error) {
	names, err := p.files()
	found := map[string]process{}
	for _, name := range names {
		link, _ := os.Readlink(p.path("fd/" + name))
		if inode, is := strings.CutPrefix(link, "socket:["); is {
			found[strings.TrimSuffix(inode, "]")] = p
		}
	}
	return found, err
}

// connections reads those of these sockets off a list of the kernel's: after a
// number local and remote address, state, and as tenth the inode (Linux
// Documentation/networking/proc_net_tcp.rst).
func connections(file string, sockets map[string]process) ([]facts.Session, error) {
	opened, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	var found []facts.Session
	lines := bufio.NewScanner(io.LimitReader(opened, maxConnections))
	for lines.Scan() {
		fields := strings.Fields(lines.Text())
		if len(fields) < 10 || fields[3] != established {
			continue
		}
		if p, is := sockets[fields[9]]; is {
			found = append(found, facts.Session{Address: endpoint(fields[1]), Who: p.title()})
		}
	}
	return found, lines.Err()
}

// endpoint gives the address of "0100007F:1F90", words of four bytes each in this
// machine's own byte order; as it stands where it is something else.
func endpoint(text string) string {
	words, _, _ := strings.Cut(text, ":")
	bytes, err := hex.DecodeString(words)
	if err != nil || len(bytes)%4 != 0 {
		return text
	}
	for i := 0; i < len(bytes); i += 4 {
		binary.NativeEndian.PutUint32(bytes[i:], binary.BigEndian.Uint32(bytes[i:]))
	}
	at, whole := netip.AddrFromSlice(bytes)
	if !whole {
		return text
	}
	return at.Unmap().String()
}
