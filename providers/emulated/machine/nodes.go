package machine

import (
	"fmt"
	"strconv"
)

// The root buses that seats sit on: the machine's own, and that of the second node.
const (
	firstRoot = "pcie.0"
	farRoot   = "far"
)

var roots = []string{firstRoot, farRoot}

// farBus is the number of the second node's root bus: the ports of both have room.
const farBus = 0x80

// size gives the machine its CPUs and memory, divided evenly among the nodes; each
// node is a socket.
func (w *words) size(m Machine) {
	n, cpus, memory := m.nodes(), m.Processors(), m.Memory()
	if n == 1 {
		w.add("-smp", strconv.Itoa(cpus), "-m", strconv.Itoa(memory))
		return
	}
	w.add("-smp", fmt.Sprintf("%d,sockets=%d", cpus, n), "-m", strconv.Itoa(memory))
	for node := range n {
		w.add("-object", fmt.Sprintf("memory-backend-ram,id=memory%d,size=%dM", node, memory/n),
			"-numa", fmt.Sprintf("node,nodeid=%d,memdev=memory%d,cpus=%d-%d", node, node, node*cpus/n, (node+1)*cpus/n-1))
	}
}

// further adds the second node's root bus, on which only ports can be put
// (measured with QEMU 7.2: it refuses others).
func (w *words) further(m Machine) {
	if m.nodes() > 1 {
		w.device("pxb-pcie", Set("id", farRoot), Set("bus", firstRoot), Set("addr", address(farSlot, 0)), Set("bus_nr", farBus), "numa_node=1")
	}
}
