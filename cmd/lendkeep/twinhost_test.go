package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lendkeep/providers/emulated"
	"lendkeep/providers/emulated/parts"
	"lendkeep/providers/memory"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/twin"
)

// inStandIn is a stand-in host in place of a machine: lendkeep is run on it and killed,
// guests are started and ended there, its power is cut.
type inStandIn struct {
	t       *testing.T
	folder  string
	judge   memory.Judge // nil: there is no libvirt here
	machine twin.Machine // that it stands for
	booted  bool         // it was, once more
	lends   string       // VFIO has this besides
	emptied []string     // devices
	unheard []string     // guests that lose their power by its button
	// says changes what a command of lendkeep's answers; nil: nothing is planted.
	says func(command string, r emulated.Result) emulated.Result
}

func (s *inStandIn) file(name string) string {
	if within, found := strings.CutPrefix(name, layoutThere); found {
		return filepath.Join(s.folder, "layout", within)
	}
	return filepath.Join(s.folder, filepath.Base(name))
}

func (s *inStandIn) WriteFile(_ context.Context, name string, content []byte, _ os.FileMode) error {
	return os.WriteFile(s.file(name), content, 0o600)
}

// arguments gives those of a command of lendkeep's, for this host.
func (s *inStandIn) arguments(argv []string) []string {
	list := slices.Clone(argv[1:])
	for i, a := range list {
		if strings.HasPrefix(a, "/run/") || a == layoutThere {
			list[i] = s.file(a)
		}
	}
	return append(list, "--stand-in", s.folder)
}

func (s *inStandIn) Run(ctx context.Context, argv ...string) (emulated.Result, error) {
	r := emulated.Result{Argv: argv}
	if argv[0] == "mkdir" {
		return r, os.MkdirAll(s.file(argv[2]), 0o700)
	}
	switch strings.Join(argv[:2], " ") {
	case "bash " + cutterFile:
		r.Stdout = s.cutOff(argv[3], s.arguments(argv[4:]))
	case "sh -c":
		r.Stdout = s.shell(argv[2])
		if argv[2] == onButton {
			s.unheard = append(s.unheard, argv[4])
		}
	case "blkdiscard -f":
		s.emptied = append(s.emptied, argv[2])
		survey := s.survey()
		for i := range survey.Contents {
			if c := &survey.Contents[i]; "/dev/"+c.Of == argv[2] {
				*c = facts.Content{Of: c.Of, SizeBytes: c.SizeBytes, SectorBytes: c.SectorBytes, Blank: true, EndsZero: true}
			}
		}
		s.become(survey)
	case "sh /run/make-twin":
		s.furnish()
	case "sh /run/each-boot":
		s.mountAll(ctx)
	case "virsh -q":
		r.Stdout, r.Stderr = s.virsh(ctx, argv[2:])
		r.Exit = min(len(r.Stderr), 1)
	default:
		require.Equal(s.t, apart, argv[0])
		var out, told bytes.Buffer
		r.Exit = run(ctx, s.arguments(argv), strings.NewReader(""), &out, &told)
		r.Stdout, r.Stderr = out.String(), told.String()
		if s.says != nil {
			r = s.says(argv[1], r)
		}
	}
	return r, nil
}

func (s *inStandIn) Shell(ctx context.Context, script string) (emulated.Result, error) {
	if _, rest, found := strings.Cut(script, "virsh -q shutdown -- "); found {
		_, why := s.virsh(ctx, []string{"shutdown", "--", strings.Fields(rest)[0]})
		require.Empty(s.t, why)
	}
	return emulated.Result{Stdout: "shut off\n"}, nil
}

func (s *inStandIn) host() *memory.Host {
	h, err := memory.Load(s.folder, nil)
	require.NoError(s.t, err)
	return h
}

func (s *inStandIn) survey() facts.Survey {
	survey, err := s.host().Survey(context.Background())
	require.NoError(s.t, err)
	return survey
}

// become has the host begin anew with a survey.
func (s *inStandIn) become(survey facts.Survey) {
	var content bytes.Buffer
	require.NoError(s.t, survey.Encode(&content))
	require.NoError(s.t, os.WriteFile(filepath.Join(s.folder, memory.FirstFile), content.Bytes(), 0o600))
	require.NoError(s.t, os.RemoveAll(filepath.Join(s.folder, memory.File)))
}

// furnish has the guests that are off be the twin's.
func (s *inStandIn) furnish() {
	survey, err := readSurvey(filepath.Join(s.folder, memory.FirstFile))
	require.NoError(s.t, err)
	for i := range survey.Libvirt.Guests {
		g := &survey.Libvirt.Guests[i]
		at := slices.IndexFunc(s.machine.Guests, func(made twin.Guest) bool { return made.Name == g.Name })
		if g.Running || at < 0 {
			continue
		}
		xml := s.machine.Guests[at].XML
		if s.judge != nil {
			xml, err = s.judge.Define(s.t.Context(), xml)
			require.NoError(s.t, err)
		}
		read, err := definition.Read(xml)
		require.NoError(s.t, err)
		g.Kept = &read
	}
	s.become(survey)
}

// mountAll mounts what the machine mounts at a boot.
func (s *inStandIn) mountAll(ctx context.Context) {
	h, survey := s.host(), s.survey()
	ix := facts.NewIndex(&survey)
	for _, m := range s.machine.Mounts {
		if ix.MountAt(m.Path) == nil && ix.Block(m.Of) != nil {
			require.NoError(s.t, h.Mount(ctx, "/dev/"+m.Of, m.Kind, m.Path, m.Options))
		}
	}
}

func (s *inStandIn) virsh(ctx context.Context, words []string) (out, why string) {
	h, survey := s.host(), s.survey()
	var err error
	switch words[0] {
	case "list":
		for _, g := range survey.Libvirt.Guests {
			if g.Running {
				out += g.Name + "\n"
			}
		}
	case "start":
		err = h.StartByHand(ctx, words[2])
	default:
		err = h.EndByHand(words[2])
	}
	if err != nil {
		why = err.Error()
	}
	return out, why
}

func (s *inStandIn) shell(command string) (out string) {
	switch command {
	case newestJournal:
		content, err := os.ReadFile(s.newest())
		require.NoError(s.t, err)
		out = string(content)
	case onVFIO:
		out = s.lends + "\n"
		for _, f := range s.survey().Functions {
			if f.OnVFIO() {
				out += f.Address.String() + "\n"
			}
		}
	}
	return out
}

func (s *inStandIn) newest() string {
	list, err := filepath.Glob(filepath.Join(s.folder, "journals", "*"+journalEnd))
	require.NoError(s.t, err)
	if len(list) == 0 {
		return ""
	}
	return list[len(list)-1]
}

// cutOff kills a real process of lendkeep's once its journal holds a record. One that
// would be stopped until the power is cut is killed at once.
func (s *inStandIn) cutOff(record string, arguments []string) string {
	program, err := exec.LookPath("lendkeep") // this test binary, under its own name
	require.NoError(s.t, err)
	was := s.newest()
	command := exec.Command(program, arguments...)
	require.NoError(s.t, command.Start())
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	for len(ended) == 0 {
		if name := s.newest(); name != was {
			if content, _ := os.ReadFile(name); bytes.Contains(content, []byte(record)) {
				_ = command.Process.Kill() // it may end by itself at this moment
				<-ended
				return "cut\n"
			}
		}
		time.Sleep(100 * time.Microsecond)
	}
	return "ended\n"
}

func (s *inStandIn) PowerCut() error {
	s.host().PowerCut()
	return nil
}

func (s *inStandIn) Unplug(_ context.Context, card string) error {
	for _, p := range s.machine.Places {
		if (parts.Twin{Machine: s.machine}).Card(p.From) == card {
			s.host().Unplug(p.To)
			return nil
		}
	}
	return fmt.Errorf("there is no %s", card)
}

// PowerOn has functions be where another machine has them, and its cards alone.
func (s *inStandIn) PowerOn(_ context.Context, m emulated.Machine) error {
	is := m.(parts.Twin).Machine
	s.booted = true
	var pairs []string
	for i, p := range s.machine.Places {
		pairs = append(pairs, p.To.String(), is.Places[i].To.String())
	}
	var content bytes.Buffer
	survey := s.survey()
	require.NoError(s.t, survey.Encode(&content))
	moved, err := facts.Decode([]byte(strings.NewReplacer(pairs...).Replace(content.String())))
	require.NoError(s.t, err)
	moved.Libvirt = survey.Libvirt // definitions are as they were written
	s.machine = is
	late, absent := false, facts.Address{}
	is.Each(func(p *twin.Part) {
		if p.Late && p.Kind == twin.NVMe {
			late = true
			at, group := facts.Address{Bus: 1}, 99 // the first bus is the new port's
			moved.Functions = append(moved.Functions, facts.Function{Address: at, Vendor: 0x1b36, Device: 0x0010, Class: facts.ClassNVMe, Driver: "nvme", Group: &group, NUMANode: -1, NVMe: &facts.NVMe{Name: "nvme9", Serial: p.Serial, Model: "QEMU NVMe Ctrl", State: "live"}})
		}
		if p.Absent {
			absent, _ = is.Place(*p.Of)
		}
	})
	if late {
		s.become(moved)
	}
	if absent != (facts.Address{}) {
		s.host().PowerCutWithout(absent)
	}
	return nil
}
