package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"reflect"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/invented"
)

// What is built on a drive is named where it is and where it is used.
func TestTablesNameWhatIsBuilt(t *testing.T) {
	b := invented.NewBuilder()
	b.NVMe("RL-4410-0073", "system", "left", "right")
	vault := b.Mapper("vault", "nvme0n1p1")
	b.Block(vault).Mapper.UUID = "CRYPT-LUKS2-0123456789abcdef-vault"
	b.Block(vault).Signature = &facts.Signature{Kind: "LVM2_member", Usage: "raid"}
	root := b.Mapper("vg0-home--old", vault)
	b.Mount(root, "/home")
	b.Mapper("vg0-swap", vault)
	array := b.Mapper("", "nvme0n1p2", "nvme0n1p3")
	b.Block(array).Mapper, b.Block(array).Array = nil, "raid1"
	b.Mount(array, "/srv/pair")
	var out bytes.Buffer
	require.NoError(t, printSurvey(&out, b.Survey))
	text := out.String()
	assert.Contains(t, text, "system (xfs) > LUKS vault (LVM2_member) > LV vg0/home-old (ext4) + LV vg0/swap (ext4)")
	assert.Contains(t, text, "left (xfs) > md "+array+" (raid1) (ext4)")
	assert.Contains(t, text, "mount /home on LV vg0/home-old, holder LV vg0/swap")
	assert.Contains(t, text, "mount /srv/pair on md "+array+" (raid1)")
}

// Whatever could not be read is told, wherever in a survey that is noted.
func TestEveryGapIsShown(t *testing.T) {
	var survey facts.Survey
	var planted []string
	var plant func(reflect.Value)
	plant = func(v reflect.Value) {
		switch {
		case v.Type() == reflect.TypeFor[[]facts.Gap]():
			planted = append(planted, fmt.Sprintf("reason-%d-", len(planted)))
			v.Set(reflect.ValueOf([]facts.Gap{{Fact: "x", Path: "/sys", Reason: planted[len(planted)-1]}}))
		case v.Kind() == reflect.Struct && v.Type() != reflect.TypeFor[time.Time]():
			for i := range v.NumField() {
				plant(v.Field(i))
			}
		case v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.Struct:
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
			plant(v.Index(0))
		}
	}
	plant(reflect.ValueOf(&survey).Elem())
	require.Greater(t, len(planted), 7)
	var out bytes.Buffer
	require.NoError(t, printSurvey(&out, survey))
	for _, reason := range planted {
		assert.Contains(t, out.String(), reason)
	}
}

// Where libvirt does not answer, a survey has a gap; whoever acts is refused.
func TestSurveyWithoutLibvirt(t *testing.T) {
	lenient := where{lenient: true}
	h, err := lenient.open(t.Context(), "nosuch:///system")
	require.NoError(t, err)
	defer h.close()
	v, answers := h.Ports.Survey.(liveHost).libvirt(context.Background())
	require.Len(t, v.Gaps, 1)
	assert.Equal(t, "guests and pools", v.Gaps[0].Fact)
	assert.NotEmpty(t, v.Gaps[0].Reason)
	assert.Nil(t, answers, "nothing is kept of what was not said")
	assert.Nil(t, h.Guests, "there is nothing to act through")
	strict := where{}
	_, err = strict.open(t.Context(), "nosuch:///system")
	assert.ErrorContains(t, err, "nosuch")
}

// What a file says of libvirt has nothing run: only a person may want that.
func TestFilesConnectPlainly(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, os.WriteFile(folder+"/run", []byte("#!/bin/sh\ntouch "+folder+"/made\n"), 0o700))
	var w where
	_, err := w.open(t.Context(), "qemu+ext:///system?command="+folder+"/run")
	assert.ErrorContains(t, err, "run a program")
	assert.NoFileExists(t, folder+"/made")
}
