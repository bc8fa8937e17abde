package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/gofrs/flock"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/watch"
)

// Limits of a return. libvirt can do nothing else with the guest meanwhile, so
// what takes longer is left; lendkeep plan finds it.
const (
	returnWithin = 10 * time.Second
	mountWithin  = 5 * time.Second
	pause        = 100 * time.Millisecond
)

// release mounts what belongs on a controller that its guest has let go. The
// kernel scans partitions and udev notes them after libvirt has rebound the
// driver, so it looks several times. Nothing that goes wrong here is libvirt's
// matter; the system's log has it.
func release(guest string, from io.Reader, here surroundings) {
	text, err := readDefinition(from)
	if err != nil {
		return
	}
	call := guard.Call{Guest: guest}
	if call.Definition, err = definition.Read(text); err != nil {
		return
	}
	hold, ordered := orderUnderWay(here.lock)
	defer hold()
	if len(call.Definition.Lent) == 0 {
		return
	}
	if ordered {
		here.note(watch.Event{At: here.now().UTC(), Kind: watch.Released, Guest: guest})
		return
	}
	began := here.now()
	made, err := settle(call, here)
	if err != nil {
		here.log(fmt.Sprintf("lendkeep: guest %s has ended; what it borrowed was not looked after: %v", guest, err))
		here.note(watch.Event{At: here.now().UTC(), Kind: watch.Released, Guest: guest, Wrong: []string{err.Error()}})
		return
	}
	for _, text := range append(made.Wait, made.Wrong...) {
		here.log(fmt.Sprintf("lendkeep: guest %s has ended; %s; lendkeep plan writes the order that mends it", guest, text))
	}
	wrong := append(made.Wait, made.Wrong...)
	var mounted []string
	for _, m := range made.Mount {
		if err := mount(guest, m, here); err != nil {
			wrong = append(wrong, err.Error())
			continue
		}
		mounted = append(mounted, m.Path)
	}
	here.note(watch.Event{At: here.now().UTC(), Kind: watch.Released, Guest: guest, Took: here.now().Sub(began), Mounted: mounted, Wrong: wrong})
}

// settle looks until everything has come back, or the time is over.
func settle(call guard.Call, here surroundings) (made guard.Return, err error) {
	for waited := time.Duration(0); ; waited += pause {
		survey, rules, err := look(here)
		if err != nil {
			return made, err
		}
		made = guard.After(rules, facts.NewIndex(&survey), call)
		if len(made.Wait) == 0 || waited >= returnWithin {
			return made, nil
		}
		here.wait(pause)
	}
}

func mount(guest string, m guard.Mounting, here surroundings) error {
	ctx, cancel := context.WithTimeout(context.Background(), mountWithin)
	defer cancel()
	if err := here.mounts.Mount(ctx, m.Device, m.FSType, m.Path, m.Options); err != nil {
		here.log(fmt.Sprintf("lendkeep: guest %s has ended; %v", guest, err))
		return err
	}
	here.log(fmt.Sprintf("lendkeep: guest %s has ended; %s is mounted at %s", guest, m.Partition, m.Path))
	return nil
}

// orderUnderWay tells whether lendkeep is carrying an order out, which holds
// the lock until it ends. Otherwise no order begins before hold is called.
func orderUnderWay(file string) (hold func(), ordered bool) {
	lock := flock.New(file, flock.SetFlag(0)) // O_RDONLY: never made here
	free, err := lock.TryRLock()
	if err != nil { // no lock file: no order was ever carried out
		return func() {}, false
	}
	return func() { _ = lock.Close() }, !free
}
