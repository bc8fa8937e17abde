package watch

import "lendkeep/reconcile/facts"

// Unit is the service that watches. It changes nothing on the host but its own
// history, and is held to that as far as three things leave room:
//
//   - It must see the host's mounts, and never hold one. Whatever gives a service a
//     mount namespace of its own (ProtectSystem, ProtectHome, PrivateTmp,
//     PrivateDevices, ProtectKernelTunables, ProtectKernelModules, ProtectKernelLogs,
//     ProtectControlGroups, ProtectProc and their like, systemd.exec(5)) may keep a
//     filesystem that the host unmounted, and then no drive can be lent (measured:
//     the drive stays busy while a private namespace has it).
//   - It reads all of /sys, which CAP_DAC_READ_SEARCH and, for PCI configuration
//     space, CAP_SYS_ADMIN are for (Linux drivers/pci/pci-sysfs.c,
//     pci_read_config), and asks libvirt, which lets root in.
//   - The operator's command runs in it. It may send mail or a message, so it has
//     the network, may become another user and run programs that gain privileges,
//     may write files and character devices (a modem), and may be interpreted
//     (MemoryDenyWriteExecute would keep such from running).
//
// Nobody in it opens a block device, loads a module, mounts, traces, sets a clock
// or makes a namespace. libvirt is not required, since the watch tells of its
// absence.
const Unit = facts.WatchMark + `
# Written and removed by orders of lendkeep.
[Unit]
Description=lendkeep: watch lends and returns of controllers
After=local-fs.target libvirtd.service virtqemud.service
ConditionPathExists=` + facts.GuardRules + `

[Service]
Type=notify
ExecStart=` + facts.WatchProgram + ` watch --log-level info
# Events are in the log already.
StandardOutput=null
Restart=on-failure
RestartSec=30
WatchdogSec=180
UMask=0077
LimitCORE=0
TasksMax=100
# CAP_SYS_ADMIN and CAP_DAC_READ_SEARCH to read /sys; the rest is for the alarm
# command, which may become another user.
CapabilityBoundingSet=CAP_SYS_ADMIN CAP_DAC_READ_SEARCH CAP_DAC_OVERRIDE CAP_CHOWN CAP_FOWNER CAP_KILL CAP_SETUID CAP_SETGID
# No mount namespace: it would keep filesystems that the host unmounts.
RestrictNamespaces=yes
# No mounts, modules, clocks, tracing, raw I/O.
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM
SystemCallArchitectures=native
# No block devices; the alarm command may use a modem or a sound card.
DevicePolicy=closed
DeviceAllow=char-* rw
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
LockPersonality=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
ProtectClock=yes
ProtectHostname=yes
KeyringMode=private

[Install]
WantedBy=multi-user.target
`
