package sysfs

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
)

// lsblkDevice is what lsblk(8) of util-linux 2.38 prints with --json -O.
type lsblkDevice struct {
	Name, UUID, Label, FSType, PartUUID, PartLabel, PartType, PTType, PTUUID string
	Serial, Model                                                            string
	Devno                                                                    string   `json:"maj:min"`
	Sector                                                                   uint64   `json:"log-sec"`
	ReadOnly                                                                 bool     `json:"ro"`
	Start                                                                    uint64   `json:"start"`
	Whole                                                                    string   `json:"pkname"`
	Places                                                                   []string `json:"mountpoints"`
	Children                                                                 []lsblkDevice
}

func flatten(list []lsblkDevice) []lsblkDevice {
	var flat []lsblkDevice
	for _, device := range list {
		flat = append(append(flat, device), flatten(device.Children)...)
	}
	return flat
}

func TestBlocksAgreeWithLsblk(t *testing.T) {
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		var said struct{ Blockdevices []lsblkDevice }
		require.NoError(t, json.Unmarshal([]byte(answer(t, moment, "lsblk.json")), &said))
		devices := flatten(said.Blockdevices)
		require.Len(t, survey.Blocks, len(devices))
		index := facts.NewIndex(&survey)
		for _, want := range devices {
			got := index.Block(want.Name)
			require.NotNil(t, got, want.Name)
			require.Empty(t, got.Gaps)
			assert.Equal(t, want.Devno, got.Devno.String())
			assert.Equal(t, want.Sector, got.SectorBytes)
			assert.Equal(t, want.ReadOnly, got.ReadOnly)
			assert.Equal(t, want.Whole, got.Whole)
			signature, table, part := facts.Signature{}, facts.PartitionTable{}, facts.Partition{}
			if got.Signature != nil {
				signature = *got.Signature
			}
			if got.PartitionTable != nil {
				table = *got.PartitionTable
			}
			if got.Partition != nil {
				part = *got.Partition
				table = *index.Block(got.Whole).PartitionTable
			}
			assert.Equal(t, []string{want.FSType, want.Label, want.UUID}, []string{signature.Kind, signature.Label, signature.UUID})
			assert.Equal(t, []string{want.PTType, want.PTUUID}, []string{table.Kind, table.ID})
			assert.Equal(t, []string{want.PartUUID, want.PartLabel, want.PartType}, []string{part.ID, part.Name, part.Type})
			assert.Equal(t, want.Start*512, part.StartBytes)
			for _, place := range want.Places {
				if place != "" {
					require.NotNil(t, index.MountAt(place), place)
					assert.Equal(t, got.Devno, index.MountAt(place).Devno)
				}
			}
			if want.Serial != "" {
				at := index.BySerial(want.Serial)
				require.Len(t, at, 1)
				assert.Equal(t, at[0].Address, *got.Controller)
				assert.Equal(t, want.Model, at[0].NVMe.Model)
			}
		}
	})
}

func TestSignaturesAgreeWithBlkid(t *testing.T) {
	word := regexp.MustCompile(`([A-Z_]+)="([^"]*)"`)
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		said := map[string]facts.Signature{}
		for line := range strings.Lines(answer(t, moment, "blkid.txt")) {
			name, rest, _ := strings.Cut(line, ": ")
			words := map[string]string{}
			for _, pair := range word.FindAllStringSubmatch(rest, -1) {
				words[pair[1]] = pair[2]
			}
			said[name] = facts.Signature{Kind: words["TYPE"], Usage: "filesystem", Label: words["LABEL"], UUID: words["UUID"]}
		}
		seen := map[string]facts.Signature{}
		for _, b := range survey.Blocks {
			if b.Signature != nil {
				seen["/dev/"+b.Name] = *b.Signature
			}
		}
		assert.Equal(t, said, seen)
	})
}

func TestNamespacesAgreeWithNVMe(t *testing.T) {
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		var list struct {
			Devices []struct {
				NameSpace                                       int
				DevicePath, Firmware, ModelNumber, SerialNumber string
				PhysicalSize, SectorSize                        uint64
			}
		}
		require.NoError(t, json.Unmarshal([]byte(answer(t, moment, "nvme-list.json")), &list))
		index := facts.NewIndex(&survey)
		count := 0
		for _, f := range survey.Functions {
			if f.NVMe != nil {
				count += len(f.NVMe.Namespaces)
			}
		}
		require.Equal(t, len(list.Devices), count)
		for _, want := range list.Devices {
			at := index.BySerial(want.SerialNumber)
			require.Len(t, at, 1)
			got := at[0].NVMe
			assert.Equal(t, []string{want.Firmware, want.ModelNumber, "live"}, []string{got.Firmware, got.Model, got.State})
			require.Len(t, got.Namespaces, 1)
			n := got.Namespaces[0]
			assert.Equal(t, []any{want.NameSpace, want.DevicePath, want.PhysicalSize, want.SectorSize},
				[]any{n.ID, "/dev/" + n.Block, n.SizeBytes, n.SectorBytes})
			agreeWithIdentify(t, moment, *got)
		}
	})
}

// agreeWithIdentify compares with the drive's own Identify data structures
// (NVM Express Base Specification 2.0, figures 275 and 280) as nvme-cli read them.
func agreeWithIdentify(t *testing.T, moment string, got facts.NVMe) {
	t.Helper()
	var controller struct{ SN, MN, FR, Subnqn string }
	require.NoError(t, json.Unmarshal([]byte(answer(t, moment, "id-ctrl-"+got.Name+".json")), &controller))
	assert.Equal(t, strings.TrimSpace(controller.SN), got.Serial)
	assert.Equal(t, strings.TrimSpace(controller.MN), got.Model)
	assert.Equal(t, strings.TrimSpace(controller.FR), got.Firmware)
	assert.Equal(t, controller.Subnqn, got.NQN)
	for _, n := range got.Namespaces {
		var namespace struct {
			NSZE, FLBAS  uint64
			EUI64, NGUID string
			LBAFs        []struct{ DS uint64 }
		}
		require.NoError(t, json.Unmarshal([]byte(answer(t, moment, "id-ns-"+n.Block+".json")), &namespace))
		sector := uint64(1) << namespace.LBAFs[namespace.FLBAS&0xf].DS
		assert.Equal(t, sector, n.SectorBytes)
		assert.Equal(t, namespace.NSZE*sector, n.SizeBytes)
		assert.Equal(t, strings.Trim(namespace.EUI64, "0"), n.EUI64)
		assert.Equal(t, strings.Trim(namespace.NGUID, "0"), n.NGUID)
	}
}

func TestPartitionsAgreeWithSgdisk(t *testing.T) {
	row := regexp.MustCompile(`(?m)^ +(\d+) +(\d+) +(\d+) +\S+ \S+ +\S+ +(\S+)$`)
	eachMoment(t, func(t *testing.T, moment string, survey facts.Survey) {
		files, err := filepath.Glob(filepath.Join(hostsDir, "captured-"+moment+".cmd", "sgdisk-*.txt"))
		require.NoError(t, err)
		require.NotEmpty(t, files)
		index := facts.NewIndex(&survey)
		for _, file := range files {
			said := answer(t, moment, filepath.Base(file))
			drive := index.Block(strings.TrimSuffix(strings.TrimPrefix(filepath.Base(file), "sgdisk-"), ".txt"))
			require.NotNil(t, drive, file)
			assert.Contains(t, said, fmt.Sprintf("%d sectors", drive.SizeBytes/drive.SectorBytes))
			var want, got []facts.Partition
			for _, m := range row.FindAllStringSubmatch(said, -1) {
				number, err := strconv.Atoi(m[1])
				require.NoError(t, err)
				start, err := strconv.ParseUint(m[2], 10, 64)
				require.NoError(t, err)
				want = append(want, facts.Partition{Number: number, StartBytes: start * 512, Name: m[4]})
			}
			for _, part := range index.Partitions(drive.Name) {
				got = append(got, facts.Partition{Number: part.Partition.Number, StartBytes: part.Partition.StartBytes, Name: part.Partition.Name})
			}
			assert.Equal(t, want, got, file)
			if len(want) > 0 {
				assert.Contains(t, strings.ToLower(said), drive.PartitionTable.ID)
			}
		}
	})
}

// TestLentController holds what a lend changes: the driver, and everything that
// hung on it is gone.
func TestLentController(t *testing.T) {
	address, err := facts.ParseAddress("0000:01:00.0")
	require.NoError(t, err)
	for moment, home := range map[string]bool{"before": true, "running": false, "after": true} {
		survey := surveyOf(t, openHost(t, "captured-"+moment+".txtar"))
		index := facts.NewIndex(&survey)
		f := index.Function(address)
		assert.Equal(t, home, f.NVMe != nil, moment)
		assert.Equal(t, home, len(index.Drives(address)) == 1, moment)
		assert.Equal(t, home, index.Block("nvme0n1p2") != nil, moment)
		assert.Equal(t, !home, f.OnVFIO(), moment)
		assert.Equal(t, map[bool]string{true: "", false: "vfio-pci"}[home], f.DriverOverride, moment)
		assert.Empty(t, f.Gaps, moment)
	}
}
