package windows

import (
	"slices"
	"strings"
)

// Alter is one thing about a hive that is other than in a good one.
type Alter func(Key) Key

// System is the hive of a Windows whose NVMe driver starts at boot, and which does
// not hibernate, changed.
func System(changes ...Alter) Key {
	k := Key{Name: "ROOT"}.With("Select", Number("Current", 1), Number("Default", 1), Number("Failed", 0)).
		With(`ControlSet001\Services\stornvme`, Number("Start", 0), Number("Type", 1), Text("ImagePath", `System32\drivers\stornvme.sys`)).
		With(`ControlSet001\Services\disk`, Number("Start", 0)).
		With(`ControlSet001\Control\Session Manager\Power`, Number("HiberbootEnabled", 0))
	for _, change := range changes {
		k = change(k)
	}
	return k
}

// Software is the hive beside it.
func Software() Key {
	return Key{Name: "ROOT"}.With(`Microsoft\Windows NT\CurrentVersion`, Text("ProductName", "Windows 11 Pro"), Text("CurrentBuildNumber", "22631"))
}

// Start has a service start with that number.
func Start(service string, n uint32) Alter {
	path := `ControlSet001\Services\` + service
	return func(k Key) Key { return Set(path, Number("Start", n))(Without(path + `\Start`)(k)) }
}

// Over has a service have that StartOverride.
func Over(service, name string, n uint32) Alter {
	return Set(`ControlSet001\Services\`+service+`\StartOverride`, Number(name, n))
}

// Fast has fast startup be set to that.
func Fast(n uint32) Alter {
	const path = `ControlSet001\Control\Session Manager\Power`
	return func(k Key) Key {
		return Set(path, Number("HiberbootEnabled", n))(Without(path + `\HiberbootEnabled`)(k))
	}
}

// Set adds values at a path.
func Set(path string, values ...Value) Alter {
	return func(k Key) Key { return k.With(path, values...) }
}

// Without takes the key or value at a path away.
func Without(path string) Alter {
	return func(k Key) Key {
		name, rest, below := strings.Cut(path, `\`)
		k.Keys, k.Values = slices.Clone(k.Keys), slices.Clone(k.Values)
		if !below {
			k.Keys = slices.DeleteFunc(k.Keys, func(k Key) bool { return k.Name == name })
			k.Values = slices.DeleteFunc(k.Values, func(v Value) bool { return v.Name == name })
			return k
		}
		for i := range k.Keys {
			if k.Keys[i].Name == name {
				k.Keys[i] = Without(rest)(k.Keys[i])
			}
		}
		return k
	}
}
