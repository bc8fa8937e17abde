package watch

import "lendkeep/reconcile/facts"

// Unit is the service that watches. It is hardened as far as that does not
// reach the operator's command, which may send mail (so it may gain
// privileges), nor needs a mount namespace of its own: the watch is to see the
// host's mounts, and never to hold one (systemd.exec(5)). libvirt is not
// required, since the watch tells of its absence.
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
CapabilityBoundingSet=~CAP_SYS_MODULE CAP_SYS_BOOT CAP_SYS_TIME CAP_MKNOD CAP_SYS_RAWIO CAP_NET_ADMIN
LockPersonality=yes
RestrictNamespaces=yes
RestrictRealtime=yes
SystemCallArchitectures=native
LimitCORE=0
TasksMax=100

[Install]
WantedBy=multi-user.target
`
