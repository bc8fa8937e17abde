package content

import "slices"

// usages says how what libblkid can recognise is used, by its names (util-linux
// 2.38 to 2.41: libblkid/src/superblocks, .usage of each; geom_member is ours).
var usages = map[string][]string{
	"filesystem": {"vfat", "xfs", "exfs", "ext4dev", "ext4", "ext3", "ext2", "reiserfs", "reiser4", "jfs", "udf", "iso9660", "hfsplus", "hfs", "ufs", "hpfs",
		"sysv", "xenix", "ntfs", "ReFS", "cramfs", "romfs", "minix", "gfs", "gfs2", "ocfs", "ocfs2", "oracleasm", "vxfs", "squashfs", "squashfs3", "nss",
		"btrfs", "ubifs", "bfs", "VMFS", "befs", "nilfs2", "exfat", "f2fs", "mpool", "apfs", "zonefs", "erofs", "bcachefs", "scoutfs"},
	"raid": {"linux_raid_member", "ddf_raid_member", "isw_raid_member", "lsi_mega_raid_member", "via_raid_member", "silicon_medley_raid_member",
		"nvidia_raid_member", "promise_fasttrack_raid_member", "hpt45x_raid_member", "hpt37x_raid_member", "adaptec_raid_member", "jmicron_raid_member",
		"bcache", "ceph_bluestore", "drbd", "drbdmanage_control_volume", "drbdproxy_datalog", "LVM2_member", "LVM1_member", "DM_snapshot_cow",
		"VMFS_volume_member", "ubi", "vdo", "stratis", "zfs_member", "geom_member"},
	"crypto": {"crypto_LUKS", "DM_verity_hash", "DM_integrity", "BitLocker", "cs_fvault2"},
	"other":  {"swap", "swsuspend", "jbd", "xfs_external_log"},
}

// UsageOf says how what blkid names is used: "filesystem", "raid", "crypto" or
// "other". What is not known here is "unknown", and so never mounted, made anew
// or written over.
func UsageOf(kind string) string {
	for usage, kinds := range usages {
		if slices.Contains(kinds, kind) {
			return usage
		}
	}
	return "unknown"
}
