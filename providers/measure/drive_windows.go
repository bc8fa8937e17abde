package measure

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"

	"lendkeep/reconcile/speed"
)

// What drives and volumes are asked (Windows SDK, winioctl.h); none of it wants more
// than to have opened them without any access.
const (
	ioctlProperty = 0x2D1400 // IOCTL_STORAGE_QUERY_PROPERTY
	ioctlNumber   = 0x2D1080 // IOCTL_STORAGE_GET_DEVICE_NUMBER
	ioctlExtents  = 0x560000 // IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS
	ioctlGeometry = 0x700A0  // IOCTL_DISK_GET_DRIVE_GEOMETRY_EX
)

// Members of STORAGE_PROPERTY_ID.
const (
	propertyDevice      = 0
	propertyWriteCache  = 4
	propertyTemperature = 52
)

// mostAnswered bounds an answer, in bytes: a volume over 40 drives is well below.
const mostAnswered = 4096

// ask asks a device, and gives as much as it answers.
func ask(h handle, code uint32, question []byte) ([]byte, error) {
	answer := make([]byte, mostAnswered)
	var in *byte
	if len(question) > 0 {
		in = &question[0]
	}
	var n uint32
	if err := control(h, code, in, uint32(len(question)), &answer[0], mostAnswered, &n); err != nil {
		return nil, err
	}
	return answer[:min(n, mostAnswered)], nil
}

// property asks a drive for one of its properties: STORAGE_PROPERTY_QUERY has the
// property, the kind of question, which is 0, and a byte for more.
func property(h handle, id uint32) ([]byte, error) {
	return ask(h, ioctlProperty, append(binary.LittleEndian.AppendUint32(nil, id), make([]byte, 8)...))
}

// silent opens something to ask it, without access to what is on it.
func silent(path string) (handle, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return windows.InvalidHandle, err
	}
	return windows.CreateFile(name, 0, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE|windows.FILE_SHARE_DELETE, nil, windows.OPEN_EXISTING, windows.FILE_FLAG_OVERLAPPED, 0)
}

// drivesOf gives the numbers of the drives on which a volume is; volume is its
// \\?\Volume{...}\ name.
func drivesOf(volume string) ([]uint32, error) {
	h, err := silent(strings.TrimSuffix(volume, `\`))
	if err != nil {
		return nil, err
	}
	defer windows.CloseHandle(h)
	answer, err := ask(h, ioctlExtents, nil)
	if err != nil {
		return nil, err
	}
	return extents(answer)
}

// unused refuses a drive on which there is a volume, and one of which that cannot be
// told. Optical drives are on no drive that has a number.
func unused(drive string, number uint32) error {
	name := make([]uint16, windows.MAX_PATH+1)
	search, err := windows.FindFirstVolume(&name[0], uint32(len(name)))
	for ; err == nil; err = windows.FindNextVolume(search, &name[0], uint32(len(name))) {
		volume := windows.UTF16ToString(name)
		if windows.GetDriveType(&name[0]) == windows.DRIVE_CDROM {
			continue
		}
		on, err := drivesOf(volume)
		if err != nil {
			return Problem{fmt.Errorf("find out on which drive volume %s is: %w", volume, err), "measure a folder, or take that volume away"}
		}
		if slices.Contains(on, number) {
			return problem(fmt.Sprintf("drive %s is in use: volume %s is on it", drive, volume), "measure a folder on it")
		}
	}
	if err != windows.ERROR_NO_MORE_FILES {
		return fmt.Errorf("list volumes: %w", err)
	}
	return windows.FindVolumeClose(search)
}

// drive asks a drive what it is, and which driver its controller has.
func (o *outlook) drive(number uint32) {
	o.target.Block = fmt.Sprintf("PhysicalDrive%d", number)
	h, err := silent(`\\.\` + o.target.Block)
	if err != nil {
		o.gap("drive", o.target.Block, err)
		return
	}
	defer windows.CloseHandle(h)
	answer, err := property(h, propertyDevice)
	if err == nil {
		o.target.Drive, err = described(answer)
	}
	if err != nil {
		o.gap("drive", o.target.Block, err)
	}
	if answer, err = ask(h, ioctlGeometry, nil); err == nil {
		o.target.Drive.SectorBytes, o.target.Drive.SizeBytes, err = geometry(answer)
	}
	if err != nil {
		o.gap("drive's size", o.target.Block, err)
	}
	if answer, err = property(h, propertyWriteCache); err == nil {
		o.around.WriteCache = writeCache(answer)
	}
	if answer, err = property(h, propertyTemperature); err == nil {
		o.around.TemperatureC = warmth(answer)
	}
	device, err := controllerOf(number)
	if err != nil {
		o.gap("driver", o.target.Block, err)
		return
	}
	o.target.Driver, o.target.DriverVersion = driverOf(device, fromRegistry)
}

// diskInterface is the class of interfaces that drives have (winioctl.h:
// GUID_DEVINTERFACE_DISK); instanceName is the property of an interface that names its
// device (devpkey.h: DEVPKEY_Device_InstanceId).
var (
	diskInterface = windows.GUID{Data1: 0x53f56307, Data2: 0xb6bf, Data3: 0x11d0, Data4: [8]byte{0x94, 0xf2, 0x00, 0xa0, 0xc9, 0x1e, 0xfb, 0x8b}}
	instanceName  = windows.DEVPROPKEY{FmtID: windows.DEVPROPGUID{Data1: 0x78c34fc8, Data2: 0x104a, Data3: 0x4aca, Data4: [8]byte{0x9e, 0xa4, 0x52, 0x4d, 0x52, 0x99, 0x6e, 0x57}}, PID: 256}

	cfgmgr32   = windows.NewLazySystemDLL("cfgmgr32.dll")
	cmProperty = cfgmgr32.NewProc("CM_Get_Device_Interface_PropertyW")
	cmLocate   = cfgmgr32.NewProc("CM_Locate_DevNodeW")
	cmParent   = cfgmgr32.NewProc("CM_Get_Parent")
	cmName     = cfgmgr32.NewProc("CM_Get_Device_IDW")
)

// controllerOf names the device above a drive, as the registry does below Enum.
func controllerOf(number uint32) (string, error) {
	list, err := windows.CM_Get_Device_Interface_List("", &diskInterface, 0) // CM_GET_DEVICE_INTERFACE_LIST_PRESENT
	if err != nil {
		return "", fmt.Errorf("list drives: %w", err)
	}
	for _, path := range list {
		if n, err := numberAt(path); err == nil && n == number {
			return above(path)
		}
	}
	return "", fmt.Errorf("none of %d drives has the number %d", len(list), number)
}

func numberAt(path string) (uint32, error) {
	h, err := silent(path)
	if err != nil {
		return 0, err
	}
	defer windows.CloseHandle(h)
	answer, err := ask(h, ioctlNumber, nil)
	if err != nil {
		return 0, err
	}
	return driveNumber(answer)
}

// above names the device above that of an interface.
func above(path string) (string, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return "", err
	}
	var kind, node, parent uint32
	text := make([]uint16, 256) // MAX_DEVICE_ID_LEN is 200
	size := uint32(2 * len(text))
	if err := called(cmProperty, uintptr(unsafe.Pointer(name)), uintptr(unsafe.Pointer(&instanceName)), uintptr(unsafe.Pointer(&kind)), uintptr(unsafe.Pointer(&text[0])), uintptr(unsafe.Pointer(&size)), 0); err != nil {
		return "", err
	}
	if err := called(cmLocate, uintptr(unsafe.Pointer(&node)), uintptr(unsafe.Pointer(&text[0])), 0); err != nil {
		return "", err
	}
	if err := called(cmParent, uintptr(unsafe.Pointer(&parent)), uintptr(node), 0); err != nil {
		return "", err
	}
	if err := called(cmName, uintptr(parent), uintptr(unsafe.Pointer(&text[0])), uintptr(len(text)), 0); err != nil {
		return "", err
	}
	return windows.UTF16ToString(text), nil
}

// called calls a function of the configuration manager, which answers 0 when all is
// well (cfgmgr32.h: CR_SUCCESS).
//
//go:uintptrescapes
func called(call *windows.LazyProc, arguments ...uintptr) error {
	if err := call.Find(); err != nil {
		return err
	}
	if answer, _, _ := call.Call(arguments...); answer != 0 {
		return fmt.Errorf("%s: error %d of the configuration manager", call.Name, answer)
	}
	return nil
}

// fromRegistry reads a text below HKEY_LOCAL_MACHINE; empty: it is not there.
func fromRegistry(key, value string) string {
	k, err := registry.OpenKey(registry.LOCAL_MACHINE, key, registry.QUERY_VALUE)
	if err != nil {
		return ""
	}
	defer k.Close()
	text, _, _ := k.GetStringValue(value)
	return text
}

// volumeOf finds the volume of a folder: its name, and the kind of its filesystem.
func volumeOf(folder string) (volume, kind string, err error) {
	path, err := windows.UTF16PtrFromString(folder)
	if err != nil {
		return "", "", err
	}
	root, name, fs := make([]uint16, 32768), make([]uint16, 64), make([]uint16, windows.MAX_PATH+1)
	if err := windows.GetVolumePathName(path, &root[0], uint32(len(root))); err != nil {
		return "", "", err
	}
	if err := windows.GetVolumeInformation(&root[0], nil, 0, nil, nil, nil, &fs[0], uint32(len(fs))); err == nil {
		kind = speed.Text(windows.UTF16ToString(fs))
	}
	err = windows.GetVolumeNameForVolumeMountPoint(&root[0], &name[0], uint32(len(name)))
	return windows.UTF16ToString(name), kind, err
}
