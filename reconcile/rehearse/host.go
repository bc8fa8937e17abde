package rehearse

import (
	"context"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/step"
)

// Host is a host in memory that stands as a survey says.
type Host interface {
	Survey(ctx context.Context) (facts.Survey, error)
	// PortsThrough gives what steps act through, of which each call goes through
	// something: a label, whether it changes anything, and what does it.
	PortsThrough(through func(label string, changes bool, do func() error) error) step.Ports
	// Expect adds a partition with a filesystem that the survey could not see.
	Expect(at facts.Address, partition, kind string)
	// MountAll is somebody who mounts everything of a controller that is home.
	MountAll(at facts.Address)
	PowerCut()
	// Second gives another host that stands as this one does.
	Second() Host
	// LentInUse says what was lent while the host used it.
	LentInUse() []string
}

// Judge gives a definition back as libvirt keeps it, or refuses it.
type Judge interface {
	Define(ctx context.Context, xml string) (string, error)
}

func (r *Rehearsal) host(judge Judge) Host {
	host := r.Host(r.Survey, judge)
	for _, w := range r.Sealed.Order.Steps {
		if m, ok := w.Step.(*step.Mount); ok {
			host.Expect(m.Controller.Address, m.Partition, m.FSType)
		}
	}
	return host
}

// recorder asks libvirt once and remembers its answers for all other runs.
type recorder struct {
	inner   Judge
	answers map[string]string
	judged  int
}

func (j *recorder) Define(ctx context.Context, xml string) (string, error) {
	if answer, known := j.answers[xml]; known {
		return answer, nil
	}
	if j.inner == nil {
		return xml, nil
	}
	answer, err := j.inner.Define(ctx, xml)
	if err == nil {
		j.answers[xml] = answer
		j.judged++
	}
	return answer, err
}
