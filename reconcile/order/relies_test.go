package order_test

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// howRelied says by which subject of an order the facts of each type are relied
// on. Of those that are noted whole every field counts that order.Passing does
// not name; a type that is not here is a fact that nobody has thought of.
var howRelied = map[string]string{
	"Survey": "host", "Machine": "host", "Topology": "host", "Node": "host", "Core": "host", "Cell": "not noted: a second opinion", "Pages": "host", "Claim": "host", "Virtualization": "host", "Pool": "host", "Network": "host",
	"Descriptor": "host", "Offers": "libvirt", "MachineTarget": "host", "Gap": "host and controller",
	"InstalledGuard": "guard", "GuardFiles": "guard", "InstalledWatch": "watch", "WatchFiles": "watch",
	"Function": "controller", "BAR": "controller", "OptionROM": "controller", "ACS": "not noted: why a group is as it is", "IOMMUUnit": "host", "ModuleSetting": "not noted: shows only while modules are loaded", "MSIX": "controller", "NVMe": "controller", "Namespace": "controller", "Interface": "controller", "Built": "controller", "Link": "controller",
	"Block": "controller", "PartitionTable": "controller", "Partition": "controller", "Signature": "controller", "Mapper": "controller",
	"Content": "controller and image", "Table": "controller and image", "Entry": "controller and image", "Volume": "controller and image", "ImageFile": "image",
	"Installed": "controller and image, and by question", "Answer": "controller and image, and by question",
	"Room": "made", "Mount": "mount", "Path": "path and guest",
	"Guest": "guest", "Firmware": "guest, host and firmware", "VariableStore": "guest and variables", "BootEntry": "guest and variables",
	"ROM": "rom", "PlacedROM": "rom", "Shim": "shim", "PlacedShim": "shim", "SystemPartition": "shim",

	"Attached": "not noted: a use of a controller", "Opener": "not noted: comes and goes", "Session": "not noted: comes and goes",
	"Swap":       "not noted: a use of a controller",
	"Definition": "not noted: its text is", "Hostdev": "not noted: in the text", "Disk": "not noted: in the text", "Reach": "not noted: in the text", "Identity": "not noted: in the text", "VirtualOf": "not noted: in the text",
	"Boot": "not noted: in the text", "Feature": "not noted: in the text", "Ranked": "not noted: in the text", "Addressing": "not noted: in the text", "Portion": "not noted: in the text",
}

// Every fact is relied on, or there is a reason why not: a new one is, and a new
// type fails here until somebody says how.
func TestEveryFactIsReliedOn(t *testing.T) {
	fields := map[string]bool{}
	for _, of := range typesBelow(reflect.TypeFor[facts.Survey](), map[reflect.Type]bool{}) {
		how := howRelied[of.Name()]
		if !assert.NotEmpty(t, how, "how do orders rely on facts.%s?", of.Name()) {
			continue
		}
		for i := range of.NumField() {
			fields[of.Name()+"."+of.Field(i).Name] = true
		}
		if !strings.HasPrefix(how, "not noted") {
			t.Run(of.Name(), func(t *testing.T) { everyFieldTells(t, of) })
		}
	}
	for field, why := range order.Passing {
		assert.True(t, fields[field], "%s is no fact", field)
		assert.NotEmpty(t, why)
	}
}

// everyFieldTells fills a value, changes each of its fields in turn, and looks
// whether what an order holds of it changes too.
func everyFieldTells(t *testing.T, of reflect.Type) {
	for i := range of.NumField() {
		v := reflect.New(of).Elem()
		fill(v, 1, 0)
		before := order.SayOf(v.Interface())
		fill(v.Field(i), 2, 0)
		after := order.SayOf(v.Interface())
		if order.Passing[of.Name()+"."+of.Field(i).Name] != "" {
			assert.Equal(t, before, after, "%s is passed over", of.Field(i).Name)
			continue
		}
		assert.NotEqual(t, before, after, "a change of %s is not seen", of.Field(i).Name)
	}
}

// fill gives every field below a value something else for each seed.
func fill(v reflect.Value, seed, depth int) {
	switch {
	case depth > 8:
	case v.Kind() == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), seed, depth+1)
	case v.Kind() == reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0), seed, depth+1)
	case v.Kind() == reflect.Struct && v.Type().PkgPath() == "time":
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), seed, depth+1)
		}
	case v.Kind() == reflect.String:
		v.SetString(fmt.Sprint("text ", seed))
	case v.Kind() == reflect.Bool:
		v.SetBool(seed%2 == 1)
	case v.CanInt():
		v.SetInt(int64(seed))
	case v.CanUint():
		v.SetUint(uint64(seed))
	case v.Kind() == reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), seed, depth+1)
		}
	default:
		panic(v.Type().String())
	}
}

// typesBelow gives the structs of facts that a survey is made of.
func typesBelow(of reflect.Type, seen map[reflect.Type]bool) []reflect.Type {
	for of.Kind() == reflect.Pointer || of.Kind() == reflect.Slice || of.Kind() == reflect.Map {
		of = of.Elem()
	}
	if of.Kind() != reflect.Struct || seen[of] || reflect.PointerTo(of).Implements(reflect.TypeFor[encoding.TextUnmarshaler]()) {
		return nil
	}
	seen[of] = true
	list := []reflect.Type{of}
	for i := range of.NumField() {
		list = append(list, typesBelow(of.Field(i).Type, seen)...)
	}
	return list
}

// What nobody can read again is not taken for unchanged.
func TestUnknownSubjectIsAnError(t *testing.T) {
	b, layout := larch()
	o := plan(t, b, layout, "day")
	o.Relies = append(o.Relies, order.Reliance{Of: step.Thing{Kind: "weather", Name: "larch"}, Fact: "sun", Value: "out"})
	_, err := o.Changes(facts.NewIndex(&b.Survey))
	require.ErrorContains(t, err, `"weather larch"`)
}

// What libvirt offers to new guests is relied on by orders that make one.
func TestOffersMatterToNewGuestsAlone(t *testing.T) {
	for name, want := range map[string]string{"catalogue": "", "scans": "offers random of libvirt was true, is false"} {
		b, layout := larch()
		b.Survey.Libvirt.Offers = facts.Offers{Random: true}
		layout.Guests[1].Name, layout.Shifts[1].Guests[0].Name = name, name
		layout.Guests[1].Memory = &spec.Memory{SizeBytes: 1 << 30}
		o := plan(t, b, layout, "day")
		b.Survey.Libvirt.Offers = facts.Offers{}
		changes, err := o.Changes(facts.NewIndex(&b.Survey))
		require.NoError(t, err)
		var told []string
		for _, change := range changes {
			told = append(told, change.String())
		}
		assert.Equal(t, want, strings.Join(told, "; "))
	}
}
