package memory

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"lendkeep/providers/files"
	"lendkeep/reconcile/strict"
)

// AgentsFile is the name of a file that a stand-in host's folder may have: which
// guests have QEMU's agent in them, and what it says.
const AgentsFile = "agents.json"

// mostAgents bounds it, in bytes: some results of measurements are in it.
const mostAgents = 16 << 20

// Agent is the agent of a guest as AgentsFile has it. It knows what
// providers/agent asks for, and runs of programs what is put there: a measurement,
// whose result is one that is kept here.
type Agent struct {
	Guest     string          `json:"guest"`
	System    json.RawMessage `json:"osinfo"`               // its answer to guest-get-osinfo
	Blocked   []string        `json:"blocked,omitempty"`    // commands that it may not do
	OffAfter  int             `json:"off_after,omitempty"`  // commands, after which the guest is off; 0: never
	Virtual   json.RawMessage `json:"virtual,omitempty"`    // result of a measurement while nothing is lent to the guest
	Lent      json.RawMessage `json:"lent,omitempty"`       // and while something is
	FailsWith string          `json:"fails_with,omitempty"` // what a measurement says instead, ending with code 1
}

// AskAgent gives a guest's agent a command, as libvirt does.
func (h *Host) AskAgent(ctx context.Context, guest, command string, _ time.Duration) (string, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	reply, err := h.askAgent(ctx, guest, command)
	if err != nil {
		return "", fmt.Errorf("ask the agent of guest %s: %w", guest, err)
	}
	return reply, nil
}

func (h *Host) askAgent(ctx context.Context, guest, command string) (string, error) {
	g := h.guest(guest)
	switch {
	case ctx.Err() != nil:
		return "", ctx.Err()
	case g == nil:
		return "", noGuest(guest)
	case !g.Running:
		return "", errOff
	}
	a, err := h.agent(guest)
	if err != nil {
		return "", err
	}
	if a.asked++; a.OffAfter > 0 && a.asked > a.OffAfter {
		return "", errOff
	}
	var c struct {
		Execute   string          `json:"execute"`
		Arguments json.RawMessage `json:"arguments"`
	}
	if err := json.Unmarshal([]byte(command), &c); err != nil {
		return "", err
	}
	do := commands[c.Execute]
	switch {
	case do == nil:
		return "", agentSays(c.Execute, "The command "+c.Execute+" has not been found")
	case slices.Contains(a.Blocked, c.Execute):
		return "", agentSays(c.Execute, "Command "+c.Execute+" has been disabled")
	}
	a.lent = len(g.Live.Hostdevs) > 0
	value, err := do(a, c.Arguments)
	if err != nil {
		return "", agentSays(c.Execute, err.Error())
	}
	reply, err := json.Marshal(map[string]any{"return": value})
	return string(reply), err
}

// What libvirt says (9.0.0).
var (
	errOff   = errors.New("Requested operation is not valid: domain is not running")
	errNoOne = errors.New("argument unsupported: QEMU guest agent is not configured")
)

func agentSays(command, why string) error {
	return fmt.Errorf("internal error: unable to execute QEMU agent command '%s': %s", command, why)
}

// agent gives the agent of a guest, as the host's folder has it.
func (h *Host) agent(guest string) (*talking, error) {
	if h.agents == nil {
		h.agents = map[string]*talking{}
		list, err := readAgents(h.folder)
		if err != nil {
			return nil, err
		}
		for _, a := range list {
			h.agents[a.Guest] = &talking{Agent: a, files: map[string][]byte{}, opened: map[int64]*opened{}, started: map[int64]*started{}}
		}
	}
	if a := h.agents[guest]; a != nil {
		return a, nil
	}
	return nil, errNoOne
}

func readAgents(folder string) ([]Agent, error) {
	if folder == "" {
		return nil, nil
	}
	content, err := files.Read(filepath.Join(folder, AgentsFile), mostAgents)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var said struct {
		Agents []Agent `json:"agents"`
	}
	if err == nil {
		err = strict.ReadWhole(content, mostAgents, &said)
	}
	if err != nil {
		return nil, fmt.Errorf("read the agents of the stand-in host: %w", err)
	}
	return said.Agents, nil
}

// InGuest lists what was put into a guest by its agent and is still there.
func (h *Host) InGuest(guest string) []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	if a := h.agents[guest]; a != nil {
		return slices.Sorted(maps.Keys(a.files))
	}
	return nil
}
