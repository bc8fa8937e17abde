package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lendkeep/providers/agent"
	"lendkeep/providers/files"
	"lendkeep/providers/libvirt"
	"lendkeep/providers/measure"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
	"lendkeep/reconcile/witness"
	"lendkeep/spec"
	"lendkeep/spec/plain"
)

// Where the programs that measure are installed, one for each system that guests
// have; and how much of one is read, in bytes.
const (
	programsAt  = "/usr/lib/lendkeep"
	programName = "lendkeep-measure"
	mostProgram = 32 << 20
)

// inGuest measures in a guest by its agent.
func (m *measuring) inGuest(c *cobra.Command, dir string) (speed.Result, error) {
	var none speed.Result
	guest, begin, err := m.stated(c, dir)
	if err != nil {
		return none, err
	}
	asked, err := m.askedOf(begin, guest.Name)
	if err != nil {
		return none, err
	}
	channel, done, err := m.w.agents()
	if err != nil {
		return none, err
	}
	defer done()
	g, build, program, err := m.met(c.Context(), channel, guest.Name)
	if err != nil {
		return none, m.byHand(dir, guest, err)
	}
	foretold(c, asked, "in guest "+guest.Name+", to "+cmp.Or(m.folder, "a folder of its own"))
	load, power := m.w.around(c.Context())
	content, err := g.Do(c.Context(), m.errand(g, build, program))
	if err != nil {
		return none, failedInGuest(c.Context(), err)
	}
	r, err := m.believed(content, asked.Form)
	if err != nil {
		return none, err
	}
	if m.folder == "" && m.device == "" { // the room, under a name that it never has again
		r.Target.Path = r.Target.Path[:max(strings.LastIndexAny(r.Target.Path, `/\`), 0)]
	}
	r = m.witnessed(c, guest.Name, begin, r)
	if r.Host != nil {
		r.Host.LoadPercent, r.Host.Power = load, power
	}
	return r, nil
}

// around tells how busy the host's processors are, and their power profile, as far as
// that is known; nothing of a stand-in.
func (w *where) around(ctx context.Context) (load *int, power string) {
	if w.standIn != "" {
		return nil, ""
	}
	return measure.Machine(ctx)
}

// askedOf gives what is to be measured in a guest, which must run.
func (m *measuring) askedOf(begin *facts.Index, guest string) (measure.Asked, error) {
	form, path := speed.Folder, cmp.Or(m.folder, ".")
	if m.device != "" {
		form, path = speed.Device, m.device
	}
	asked, err := m.asked(form, path)
	if err != nil {
		return asked, err
	}
	if form == speed.Folder && !m.write {
		return asked, fail(exitUsage, "add --write; or --device PATH, of a drive that nothing in the guest uses",
			"a folder is measured with a file that must be written first, at most %s: without --write nothing is written", sizeOf(asked.MostWritten()))
	}
	if known := begin.Guest(guest); known == nil || !known.Running {
		return asked, fail(exitUsage, "start it, then measure again", "guest %s does not run", guest)
	}
	return asked, nil
}

// met gives the guest, once its agent has answered and may do what is needed, with
// the program that runs in its system.
func (m *measuring) met(ctx context.Context, channel agent.Channel, guest string) (g *agent.Guest, build string, program []byte, err error) {
	if g, err = agent.Meet(ctx, channel, guest); err == nil {
		err = g.May(agent.Needs...)
	}
	if err == nil {
		build, program, err = m.program(g)
	}
	return g, build, program, err
}

// stated gives the guest of the layout, and the facts at the begin.
func (m *measuring) stated(c *cobra.Command, dir string) (*spec.Guest, *facts.Index, error) {
	layout, survey, _, err := layoutOf(c.Context(), dir, &m.w)
	if err != nil {
		return nil, nil, err
	}
	if guest := layout.Guest(m.guest); guest != nil {
		return guest, facts.NewIndex(&survey), nil
	}
	return nil, nil, unstated("guest", m.guest, spec.Names(layout.Guests))
}

// unstated is of something that a layout does not state.
func unstated(kind, name string, names []string) error {
	next := "name one of " + plain.Names(names)
	if near := spec.Nearest(name, names); near != "" {
		next = fmt.Sprintf("did you mean --%s %s? else %s", kind, plain.Quoted(near), next)
	}
	return fail(exitUsage, next, "the layout has no %s %q", kind, name)
}

// agents gives the way to the agents of the host's guests.
func (w *where) agents() (agent.Channel, func(), error) {
	if w.standIn != "" {
		h, err := w.load(nil)
		return h, func() {}, err
	}
	conn, err := libvirt.Open(cmp.Or(w.connect, defaultURI))
	if err != nil {
		return nil, nil, fail(exitUsage, "see that libvirt runs and that you may use it", "%w", err)
	}
	return conn, conn.Close, nil
}

// program gives the program that runs in the guest's system. It must be one that
// nobody else could have put there: the guest runs it as root.
func (m *measuring) program(g *agent.Guest) (build string, content []byte, err error) {
	if build, err = g.System.Build(); err != nil {
		return "", nil, err
	}
	if m.w.standIn != "" {
		return build, []byte("what a stand-in host runs is the result that it keeps"), nil
	}
	content, err = files.ReadTrusted(programFor(build), mostProgram)
	return build, content, err
}

// programFor gives the path of a program: beside lendkeep where it was only built,
// else where it is installed.
func programFor(build string) string {
	name := programFile(build)
	if own, err := os.Executable(); err == nil {
		beside := filepath.Join(filepath.Dir(own), "measure", name)
		if _, err := os.Lstat(beside); err == nil {
			return beside
		}
	}
	return filepath.Join(programsAt, name)
}

func programFile(build string) string {
	name := programName + "-" + build
	if build == "windows-amd64" {
		name += ".exe"
	}
	return name
}

// errand is what is done in the guest.
func (m *measuring) errand(g *agent.Guest, build string, program []byte) agent.Errand {
	noted := m.w.progress.noting("measuring in guest " + g.Name)
	return agent.Errand{
		Name: programFile(build), Program: program,
		Arguments: func(room *agent.Room) []string {
			return m.call(room.Path, room.Join("result.json"), "--progress", room.Join("progress"))
		},
		Leaves: "result.json", Most: speed.MaxBytes, Notes: "progress",
		Sent:  func(done, total int) { noted(fmt.Sprintf("putting the program there, %d of %d bytes", done, total)) },
		Noted: func(line string, _ int) { noted(line) },
	}
}

// call gives the arguments of the program that measures.
func (m *measuring) call(folder, result string, more ...string) []string {
	list := []string{"--folder", cmp.Or(m.folder, folder)}
	if m.device != "" {
		list = []string{"--device", m.device}
	}
	if m.write {
		list = append(list, "--write", "--size", m.size)
	}
	list = append(list, "--runs", strconv.Itoa(m.runs), "--lasts", m.lasts.String())
	if m.label != "" {
		list = append(list, "--label", m.label)
	}
	return append(append(list, "--json", result), more...)
}

// believed reads what a guest says that it has measured. It is the guest's word: what
// contradicts what was asked for is refused.
func (m *measuring) believed(content []byte, form speed.Form) (speed.Result, error) {
	r, err := speed.Decode(content)
	switch {
	case err != nil:
	case r.Label != m.label || r.Target.Form != form || r.Method.Runs != m.runs || r.Method.Write != m.write:
		err = errors.New("it is of something else than what was asked for")
	case r.Host != nil:
		err = errors.New("it says what only the host can know")
	}
	if err != nil {
		return r, fail(exitUsage, "measure again; what a guest says of itself is never more than its word", "the result of guest %s: %w", m.guest, err)
	}
	return r, nil
}

// witnessed adds to a result what the host knows of it. Where that cannot be had, the
// result is kept without: it was not measured for nothing.
func (m *measuring) witnessed(c *cobra.Command, guest string, begin *facts.Index, r speed.Result) speed.Result {
	r.Place.Side = speed.Guest
	after, err := m.w.facts(context.WithoutCancel(c.Context()), "")
	var host speed.Host
	if err == nil {
		host, err = witness.Of(guest, begin, facts.NewIndex(&after), r)
	}
	if err != nil {
		told := text{w: c.ErrOrStderr()} // nowhere is left to report to
		told.line("What the host knows of it is not added: %s. lendkeep measure --file adds it to what is written.", oneLine(err))
		return r
	}
	r.Host = &host
	return r
}

// failedInGuest says how it ended in a guest.
func failedInGuest(ctx context.Context, err error) error {
	switch {
	case errors.Is(err, agent.ErrLeft):
		return fail(exitPerson, "remove what is left in the guest, then measure again", "measure in the guest: %w", err)
	case ctx.Err() != nil:
		return fail(exitUsage, "", "measuring was ended; nothing is left in the guest")
	default:
		return fail(exitUsage, "see what it says, then measure again; nothing is left in the guest", "measure in the guest: %w", err)
	}
}

// noting tells of a phase with what was said of it last.
func (p *progress) noting(phase string) func(words string) {
	if p == nil || p.line == nil {
		return func(string) {}
	}
	var last string
	p.begin(phase, 0, 0, func(_ *progress, took time.Duration) string { return phase + ", " + round(took) + ": " + last })
	return func(words string) {
		p.mu.Lock() // under which it is told
		defer p.mu.Unlock()
		last = plain.Text(words)
	}
}
