// Package witness tells what the host knows of a measurement that was taken in a
// guest: which guests ran beside it, and how the drive came to the guest. What the
// guest says of itself is not enough to compare two series. Start at Of.
package witness

import (
	"slices"

	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/speed"
)

// mostOthers is how many other guests a result names.
const mostOthers = 100

// Of tells it from the host's facts at the begin and at the end of a measurement.
func Of(guest string, begin, end *facts.Index, r speed.Result) (speed.Host, error) {
	h := speed.Host{Guest: speed.Text(guest), Others: others(guest, begin, end)}
	g := end.Guest(guest)
	if g == nil || g.Live == nil {
		return h, nil // it has ended since; how its drives were is not known
	}
	if at, is := lent(g.Live, r.Target.Drive.Serial); is {
		h.Lent, h.Way = true, way(end, at)
		return h, nil
	}
	given, err := definition.GivenDisks(g.Live.XML)
	if err != nil {
		return h, err
	}
	if h.Disk = virtual(given, r.Target.Drive); h.Disk != nil {
		h.Way = below(guest, end)
	}
	return h, nil
}

// AtHome tells it of a measurement of a controller of the host itself.
func AtHome(at facts.Address, begin, end *facts.Index) speed.Host {
	return speed.Host{Others: others("", begin, end), Way: way(begin, at)}
}

func way(ix *facts.Index, at facts.Address) *speed.Way {
	w := speed.WayOf(ix, at)
	return &w
}

// below gives the way to the controller on whose drives all disks of a guest lie; nil
// where there are several, or that is not known.
func below(guest string, ix *facts.Index) *speed.Way {
	var on []facts.Address
	for _, f := range ix.Survey.Functions {
		if slices.ContainsFunc(ix.LiveUses(f.Address), func(u facts.Use) bool { return u.Kind == facts.UseGuest && u.User == guest }) {
			on = append(on, f.Address)
		}
	}
	if len(on) != 1 {
		return nil
	}
	return way(ix, on[0])
}

// untold stands for guests of which libvirt has not told: any may have run.
const untold = "guests of which libvirt did not tell"

func others(guest string, surveys ...*facts.Index) []string {
	list := []string{}
	for _, ix := range surveys {
		if len(ix.Survey.Libvirt.Gaps) > 0 && !slices.Contains(list, untold) {
			list = append(list, untold)
		}
		for _, g := range ix.Survey.Libvirt.Guests {
			if name := speed.Text(g.Name); g.Running && g.Name != guest && !slices.Contains(list, name) && len(list) < mostOthers {
				list = append(list, name)
			}
		}
	}
	slices.Sort(list)
	return list
}

// lent tells whether the drive is one of a controller that the guest has, and where
// that is: by the record of what was meant at its address.
func lent(live *facts.Definition, serial string) (facts.Address, bool) {
	for _, r := range live.Identities {
		if serial != "" && r.Serial == serial && slices.Contains(live.Functions(), r.Address) {
			return r.Address, true
		}
	}
	return facts.Address{}, false
}

// virtual gives the virtual disk that the drive is: the one of its serial, else the
// only one on its bus. A guest counts its disks as it likes, so names say nothing.
func virtual(given []definition.GivenDisk, drive speed.Drive) *speed.VirtualDisk {
	if d := only(given, func(d definition.GivenDisk) bool { return d.Serial != "" && d.Serial == drive.Serial }); d != nil {
		return d
	}
	return only(given, func(d definition.GivenDisk) bool { return d.Bus != "" && d.Bus == drive.Bus })
}

func only(given []definition.GivenDisk, is func(definition.GivenDisk) bool) *speed.VirtualDisk {
	given = slices.DeleteFunc(slices.Clone(given), func(d definition.GivenDisk) bool { return !is(d) })
	if len(given) != 1 {
		return nil
	}
	d := given[0]
	return &speed.VirtualDisk{Name: speed.Text(d.Target), Bus: speed.Text(d.Bus), Format: speed.Text(d.Format), Cache: speed.Text(d.Cache), IO: speed.Text(d.IO)}
}
