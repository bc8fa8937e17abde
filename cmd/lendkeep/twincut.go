package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"lendkeep/providers/files"
	"lendkeep/reconcile/carry"
	"lendkeep/reconcile/fault"
	"lendkeep/reconcile/journal"
	"lendkeep/reconcile/rehearse"
	"lendkeep/spec/plain"
)

// cut is an apply that does not come to its end.
type cut struct {
	step   int  // from 1
	done   bool // once the step is noted as done; else once it has begun
	power  bool // the plug is pulled; else lendkeep is killed
	alone  bool // lendkeep alone is killed; else all that it has started too
	resume bool // then the order is gone on with; else rolled back
}

// String names the trial.
func (c cut) String() string {
	how, when, then := "kill lendkeep and all that it started", "begun", "roll back"
	switch {
	case c.power:
		how = "pull the plug"
	case c.alone:
		how = "kill lendkeep alone"
	}
	if c.done {
		when = "done"
	}
	if c.resume {
		then = "resume"
	}
	return fmt.Sprintf("%s when step %d is %s, then %s", how, c.step, when, then)
}

// record is what the journal holds at that moment (carry.Record's own form).
func (c cut) record() string {
	if c.done {
		return fmt.Sprintf(`"event":"outcome","step":%d,`, c.step)
	}
	return fmt.Sprintf(`"event":"intent","step":%d}`, c.step)
}

// cutter runs a command, $3 and on, until the newest journal holds $2, and then does
// $1: alone, all (of what it has started) or stop, after which the plug is pulled. It
// is a session of its own, since the kernel has what is stopped go on once nobody is
// there to see to it (setpgid(2), orphaned process groups). Said is whether it came to that.
const cutter = `if [ -z "${WATCHED-}" ]; then
	rm -f /run/cut
	WATCHED=yes setsid bash "$0" "$@" </dev/null >/run/cut.log 2>&1 &
	until [ -e /run/cut ]; do sleep 0.1; done
	cat /run/cut
	exit
fi
set -m
how=$1 record=$2 said=ended
shift 2
journals() { ls ` + files.Kept + `/*.journal 2>/dev/null; }
was=$(journals | wc -l)
"$@" & pid=$!
while kill -0 $pid 2>/dev/null && [ "$(journals | wc -l)" = "$was" ]; do sleep 0.02; done
journal=$(journals | tail -n 1)
while kill -0 $pid 2>/dev/null; do
	if grep -qF -- "$record" "$journal"; then
		said=cut
		case $how in
		alone) kill -KILL $pid ;;
		all) kill -KILL -- -$pid ;;
		stop) kill -STOP $pid; echo cut > /run/cut; sleep 600 ;;
		esac
		break
	fi
	sleep 0.02
done
wait
if grep -qsF -- "$record" "$journal"; then said=cut; fi # it may have ended meanwhile
{ echo $said; [ $said = cut ] || tail -n 3 /run/cut.log; } > /run/cut
`

// cutterFile is where it is put, newestJournal what prints the journal that was cut off.
const (
	cutterFile    = "/run/cut-off"
	newestJournal = "cat \"$(ls " + files.Kept + "/*.journal | tail -n 1)\""
)

// cutOff has an apply be cut off, by the kernel and in memory, brings it to its end
// from there and everything back.
func (t *trial) cutOff(ctx context.Context, c cut) (string, error) {
	if err := t.anew(ctx); err != nil {
		return "", err
	}
	if len(t.planned.Order.Steps) < c.step {
		return "", notTried("the order has no such step any more")
	}
	if err := t.applyUntil(ctx, c); err != nil {
		return "", err
	}
	if c.power {
		if err := t.boot(ctx, t.machine); err != nil {
			return "", err
		}
	}
	kept, err := t.journal(ctx)
	if err != nil {
		return "", err
	}
	if err := t.cutInMemory(ctx, kept); err != nil {
		return "", err
	}
	if c.power {
		t.memory.PowerCut()
	}
	if c.resume {
		return t.resume(ctx)
	}
	return "rolled back, as in memory", t.back(ctx)
}

// applyUntil cuts an apply off.
func (t *trial) applyUntil(ctx context.Context, c cut) error {
	arguments, err := t.applying(ctx)
	if err != nil {
		return err
	}
	if err := t.host.WriteFile(ctx, cutterFile, []byte(cutter), 0o700); err != nil {
		return err
	}
	how := "all"
	switch {
	case c.power:
		how = "stop"
	case c.alone:
		how = "alone"
	}
	ctx, cancel := context.WithTimeout(ctx, orderTakesMost)
	defer cancel()
	said, err := t.must(ctx, append([]string{"bash", cutterFile, how, c.record(), apart}, arguments...)...)
	if err == nil && strings.TrimSpace(said) != "cut" {
		t.differs("lendkeep apply ended before its journal held step %d as it was to be cut off: %s", c.step, plain.Cut(strings.TrimSpace(said), mostTold))
		err = errDiffers
	}
	return err
}

// journal gives what the journal that was cut off has kept.
func (t *trial) journal(ctx context.Context) ([][]byte, error) {
	content, err := t.must(ctx, "sh", "-c", newestJournal)
	if err != nil {
		return nil, err
	}
	records, _, err := journal.Read([]byte(content))
	if err != nil {
		t.differs("the journal that was cut off cannot be read: %s", err)
		return nil, errDiffers
	}
	return records, nil
}

// until is a journal that is cut off after so many records.
type until struct {
	*records
	most int
}

// Append implements carry.Journal.
func (u until) Append(record []byte) error {
	if len(*u.records) == u.most {
		panic(fault.Cut{Call: "note the next record"})
	}
	return u.records.Append(record)
}

// cutInMemory carries the order out in memory until its journal has as many records as
// the kernel's has kept, which have to tell the same.
func (t *trial) cutInMemory(ctx context.Context, kept [][]byte) error {
	err := t.inMemory(ctx, func(c carry.Carrier) *carry.Carrier {
		t.carrier = c
		c.Journal = until{&t.records, len(kept)}
		return &c
	})
	if err != nil && !errors.Is(err, rehearse.ErrCut) {
		return err
	}
	for i := range kept {
		if is, in := outline(kept[i]), outline(t.records[min(i, len(t.records)-1)]); is != in {
			t.differs("record %d of the journal that was cut off: %s, in memory %s", i+1, is, in)
			return errDiffers
		}
	}
	return nil
}

// outline gives what two journals of one order have to agree on.
func outline(record []byte) string {
	var r carry.Record
	if err := json.Unmarshal(record, &r); err != nil {
		return err.Error()
	}
	text := string(r.Event)
	if r.Step > 0 {
		text += fmt.Sprintf(" of step %d", r.Step)
	}
	if r.Undo {
		text += ", undone"
	}
	if r.Result != "" {
		text += ": " + string(r.Result)
	}
	return text
}

// further gives the carrier that goes on in memory, and from what.
func (t *trial) further() (*carry.Carrier, carry.Report, error) {
	report, err := carry.Fold(t.records)
	return &carry.Carrier{Ports: t.carrier.Ports, Journal: &t.records, Clock: t.carrier.Clock}, report, err
}

// resume goes on with the order, by the kernel and in memory. One that is carried out
// stays in force.
func (t *trial) resume(ctx context.Context) (string, error) {
	carrier, report, err := t.further()
	if err != nil {
		return "", err
	}
	if report.Ended == "" {
		if err := t.unheard(ctx, t.silent()); err != nil {
			return "", err
		}
		report, err = carrier.Resume(ctx, report)
		if _, err := t.endsLike(ctx, report, err, append([]string{"resume"}, t.confirming()...)...); err != nil {
			return "", err
		}
	}
	if t.after, err = t.facts(ctx); err != nil {
		return "", err
	}
	if _, err = t.held(ctx, "resumed", t.after); err != nil {
		return "", err
	}
	said := string(report.Ended) + ", as in memory"
	if t.inForce = report.Ended == carry.Carried; !t.inForce {
		return said, t.back(ctx)
	}
	return said, nil
}
