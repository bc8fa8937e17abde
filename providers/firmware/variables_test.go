package firmware

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// testVariable is a variable to be stored, in any state.
type testVariable struct {
	name  string
	state byte
	data  []byte
}

// makeStore makes a variable store file as edk2's VariableFormat.h lays it out.
func makeStore(long bool, variables ...testVariable) []byte {
	le := binary.LittleEndian
	store := make([]byte, storeHeader)
	signature := storePlain
	if long {
		signature = storeAuthenticated
	}
	copy(store, signature[:])
	store[20], store[21] = storeFormatted, storeHealthy
	for _, v := range variables {
		header, sizes := make([]byte, variableShort), 8
		if long {
			header, sizes = make([]byte, variableLong), 36
		}
		name := utf16Text(v.name)
		le.PutUint16(header, variableStart)
		header[2] = v.state
		le.PutUint32(header[4:], 7)
		le.PutUint32(header[sizes:], uint32(len(name)))
		le.PutUint32(header[sizes+4:], uint32(len(v.data)))
		copy(header[sizes+8:], globalVariables[:])
		store = append(append(append(store, header...), name...), v.data...)
		for len(store)%4 != 0 {
			store = append(store, 0xFF)
		}
	}
	for range 1024 {
		store = append(store, 0xFF)
	}
	le.PutUint32(store[16:], uint32(len(store)))

	b := append(make([]byte, volumeHeaderLeast), store...)
	for len(b)%64 != 0 {
		b = append(b, 0xFF)
	}
	copy(b[16:], formatNVData[:])
	le.PutUint64(b[32:], uint64(len(b)))
	copy(b[40:], volumeSignature)
	le.PutUint32(b[44:], volumeErasedOnes)
	le.PutUint16(b[48:], volumeHeaderLeast)
	b[55] = volumeRevision
	fixVolumeSum(b)
	return b
}

func TestReadVariables(t *testing.T) {
	for _, long := range []bool{true, false} {
		list, err := ReadVariables(makeStore(long,
			testVariable{"Old", 0x3C, []byte{1}}, // deleted
			testVariable{"Lang", variableAdded, []byte("eng")},
			testVariable{"Twice", variableReplaced, []byte{1}},
			testVariable{"Half", 0x7F, []byte{9}}, // header only
			testVariable{"Twice", variableAdded, []byte{2}},
			testVariable{"Moving", variableReplaced, []byte{3}}, // successor never completed
		))
		require.NoError(t, err)
		assert.Equal(t, []Variable{
			{"Lang", globalVariables, 7, []byte("eng")},
			{"Twice", globalVariables, 7, []byte{2}},
			{"Moving", globalVariables, 7, []byte{3}},
		}, list)
	}
}

func TestReadVariablesOfDebian(t *testing.T) {
	list, err := ReadVariables(outsideFile(t, ovmfVars, "ovmf"))
	require.NoError(t, err)
	assert.Empty(t, list, "the template is empty")
	assert.False(t, Enrolled(list))
	list, err = ReadVariables(outsideFile(t, "/usr/share/OVMF/OVMF_VARS_4M.ms.fd", "ovmf"))
	require.NoError(t, err)
	assert.True(t, Enrolled(list), "the template with enrolled keys")
}

func TestReadDamagedVariables(t *testing.T) {
	store := func() []byte {
		return makeStore(true, testVariable{"First", variableAdded, []byte{1}}, testVariable{"Second", variableAdded, []byte{2}})
	}
	const at = volumeHeaderLeast
	first := at + storeHeader
	second := first + align(variableLong+len(utf16Text("First"))+1, 4)
	for name, c := range map[string]struct {
		change func(b []byte)
		left   int // variables before the damage
		text   string
	}{
		"volume":        {func(b []byte) { b[50]++ }, 0, "checksum of the volume header"},
		"other volume":  {func(b []byte) { copy(b[16:], formatFFS2[:]); fixVolumeSum(b) }, 0, "holds no variables"},
		"signature":     {func(b []byte) { b[at]++ }, 0, "unknown kind"},
		"size":          {func(b []byte) { b[at+19] = 1 }, 0, "where"},
		"not healthy":   {func(b []byte) { b[at+21] = 0 }, 0, "not formatted and healthy"},
		"start":         {func(b []byte) { b[second] = 0 }, 1, "is not empty"},
		"data size":     {func(b []byte) { b[second+43] = 0x7F }, 1, "where"},
		"name size":     {func(b []byte) { b[second+36] = 3 }, 1, "string of 3 bytes"},
		"name no end":   {func(b []byte) { b[second+36] = 4 }, 1, "not ended by its only zero"},
		"in free space": {func(b []byte) { b[len(b)-70] = 0 }, 2, "is not empty"},
	} {
		t.Run(name, func(t *testing.T) {
			b := store()
			c.change(b)
			list, err := ReadVariables(b)
			assert.ErrorContains(t, err, c.text)
			assert.ErrorContains(t, err, "read variable store: ")
			assert.Len(t, list, c.left)
		})
	}
}
