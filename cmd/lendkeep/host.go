package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"

	"lendkeep/providers/archive"
	"lendkeep/providers/files"
	"lendkeep/providers/libvirt"
	"lendkeep/providers/memory"
	"lendkeep/providers/sysfs"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
	"lendkeep/spec/plain"
	"lendkeep/spec/uri"
)

// defaultURI is libvirt's own name for the host's system guests.
const defaultURI = "qemu:///system"

// host is a host that can be read and acted on.
type host struct {
	step.Ports
	close func()
}

// where says which host a command is about.
type where struct {
	standIn string
	survey  string
	connect string
	images  []string            // what the layout names, to be looked at as well
	donors  []string            // firmware that the layout or an order names, likewise
	sources []facts.StatedImage // images of systems that move, which are looked into
	made    []string            // images that the layout or an order has made of drives

	about func(*facts.Index) map[facts.Address]bool // functions that an order speaks of; nil: there is none

	recorded  sysfs.Tree // this machine's, where what is read of it is kept
	recording *archive.Recording

	lenient  bool      // libvirt need not answer: what it would say is a gap
	progress *progress // told how what takes long goes on; nil: nobody is
}

func (w *where) flags(c *cobra.Command, survey bool) {
	c.Flags().StringVar(&w.standIn, "stand-in", "", "work on the stand-in host kept in `FOLDER` instead of this machine")
	c.Flags().StringVar(&w.connect, "connect", "", "libvirt connection `URI`; by default the layout's, else "+defaultURI)
	if survey {
		c.Flags().StringVar(&w.survey, "survey", "", "read the facts from a survey `FILE` instead of a host")
		c.MarkFlagsMutuallyExclusive("survey", "stand-in", "connect")
	}
	c.MarkFlagsMutuallyExclusive("stand-in", "connect")
}

// keep gives the folder of the host's journals and its lock.
func (w *where) keep() string {
	if w.standIn != "" {
		return filepath.Join(w.standIn, "journals")
	}
	return files.Kept
}

// open gives the host to act on. stated is what a file says of libvirt: an order, the
// rules; empty: nothing.
func (w *where) open(ctx context.Context, stated string) (host, error) {
	if w.standIn != "" {
		return w.openStandIn(ctx)
	}
	if w.connect != "" {
		return w.openLive(w.connect)
	}
	if wrong := uri.Wrong(stated); stated != "" && wrong != "" {
		return host{}, fail(exitUsage, "look whose file that is; if it is what you want, say so yourself: --connect URI", "connect to libvirt at %s: %s; nothing was touched", stated, wrong)
	}
	return w.openLive(stated)
}

// machine gives the identity of the machine that is acted on, facts.Machine.ID.
func (w *where) machine(ctx context.Context) (string, error) {
	if w.standIn == "" {
		return sysfs.Machine().MachineID(), nil
	}
	h, err := w.load(nil)
	if err != nil {
		return "", err
	}
	survey, err := h.Survey(ctx)
	return survey.Machine.ID, err
}

// facts reads the host, or the survey file where one is given.
func (w *where) facts(ctx context.Context, uri string) (facts.Survey, error) {
	if w.survey != "" {
		return readSurvey(w.survey)
	}
	h, err := w.open(ctx, uri)
	if err != nil {
		return facts.Survey{}, err
	}
	defer h.close()
	start := time.Now()
	w.progress.reading()
	survey, err := h.Survey.Survey(ctx)
	w.progress.end()
	took := time.Since(start)
	if err == nil {
		keepReading(took)
	}
	zerolog.Ctx(ctx).Info().Dur("took", took).Int("functions", len(survey.Functions)).
		Int("guests", len(survey.Libvirt.Guests)).Int("gaps", len(survey.Gaps)+len(survey.Libvirt.Gaps)).Msg("host read")
	return survey, err
}

func readSurvey(name string) (facts.Survey, error) {
	content, err := files.Read(name, facts.MaxBytes)
	if err != nil && isFolder(name) {
		return facts.Survey{}, fail(exitUsage, "name the file itself; a stand-in's folder is named by --stand-in", "read survey: %s is a folder", name)
	}
	if err != nil {
		return facts.Survey{}, fail(exitUsage, "take a survey on the host: lendkeep survey -o FILE", "read survey: %w", err)
	}
	survey, err := definition.Survey(content)
	switch is := whatIs(content); {
	case err == nil:
		return survey, nil
	case is != aSurvey && is != "":
		return facts.Survey{}, fail(exitUsage, "name the file of a survey: lendkeep survey -o FILE writes one", "%s is %s, not a survey", name, is)
	default:
		return facts.Survey{}, fail(exitUsage, "take the survey again: lendkeep survey -o "+plain.Quoted(name), "%s: %w", name, err)
	}
}

// unanswered is what is known of guests and pools where libvirt does not answer.
func unanswered(uri string, why error) facts.Virtualization {
	return facts.Virtualization{Gaps: []facts.Gap{{Fact: "guests and pools", Path: uri, Reason: fmt.Sprint(why)}}}
}

// openStandIn gives the host kept in a folder. Where libvirt is installed, its
// test driver judges every change of a guest.
func (w *where) openStandIn(ctx context.Context) (host, error) {
	judge, closeJudge := openJudge(ctx)
	h, err := w.load(judge)
	if err == nil && judge != nil {
		err = h.Introduce(ctx)
	}
	if err != nil {
		closeJudge()
		return host{}, err
	}
	return host{h.Ports(), closeJudge}, nil
}

// load reads the stand-in host, of which nobody else may make anything.
func (w *where) load(judge memory.Judge) (*memory.Host, error) {
	if err := w.exists(); err != nil {
		return nil, err
	}
	h, err := memory.Load(w.standIn, judge)
	if err != nil {
		return nil, fail(exitUsage, makeStandIn, "%w", err)
	}
	return h, nil
}

// openJudge gives libvirt's test driver, or nil where there is no libvirt; the
// log says so.
func openJudge(ctx context.Context) (memory.Judge, func()) {
	judge, err := libvirt.OpenJudge()
	if err != nil {
		zerolog.Ctx(ctx).Warn().Err(err).Msg("no libvirt here: definitions are not judged by it")
		return nil, func() {}
	}
	return judge, judge.Close
}

// systemClock is the real time.
type systemClock struct{}

func (systemClock) Now() time.Time { return time.Now() }

func (systemClock) Wait(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func (systemClock) Limit(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d)
}

// writeFile writes a survey, an order or a captured tree: they hold serials and
// definitions, which are nobody else's matter.
func writeFile(name string, content []byte) error {
	if err := files.Write(name, content, files.Private); err != nil {
		return fail(exitUsage, "", "%w", err)
	}
	return nil
}
