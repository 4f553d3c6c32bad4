package journal

import (
	"path/filepath"

	"golang.org/x/sys/unix"
)

// place names the kind of file system a file lies on where that kind is known
// to lose or damage databases; network says that it is a remote one.
func place(path string) (kind string, network bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(filepath.Dir(path), &s); err != nil {
		return "", false // opening the file will say more
	}
	switch uint32(s.Type) { // the field's type differs between architectures
	case unix.NFS_SUPER_MAGIC:
		return "nfs", true
	case unix.SMB_SUPER_MAGIC, unix.CIFS_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC:
		return "cifs", true
	case unix.V9FS_MAGIC:
		return "9p", true
	case unix.OVERLAYFS_SUPER_MAGIC:
		return "overlay", false
	case unix.TMPFS_MAGIC, unix.RAMFS_MAGIC:
		return "memory", false
	}
	return "", false
}
