package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// fileSystemOf returns the kind and the name of the file system that a folder is on.
func fileSystemOf(dir string) (fileSystem, string, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return local, "", err
	}
	p, name := fileSystemOfMagic(uint32(s.Type))
	return p, name, nil
}

// fileSystemOfMagic tells file systems apart by their numbers in statfs(2). The first two are
// cluster file systems. Their numbers were written from memory, not taken from a source.
func fileSystemOfMagic(magic uint32) (fileSystem, string) {
	switch magic {
	case 0x0bd00bd0:
		return network, "Lustre"
	case 0x01161970:
		return network, "GFS2"
	case unix.NFS_SUPER_MAGIC:
		return network, "NFS"
	case unix.SMB_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC, unix.CIFS_SUPER_MAGIC:
		return network, "SMB"
	case unix.V9FS_MAGIC:
		return network, "9P"
	case unix.CEPH_SUPER_MAGIC:
		return network, "Ceph"
	case unix.AFS_SUPER_MAGIC, unix.AFS_FS_MAGIC:
		return network, "AFS"
	case unix.CODA_SUPER_MAGIC:
		return network, "Coda"
	case unix.OCFS2_SUPER_MAGIC:
		return network, "OCFS2"
	case unix.TMPFS_MAGIC:
		return memory, "tmpfs"
	case unix.RAMFS_MAGIC:
		return memory, "ramfs"
	case unix.FUSE_SUPER_MAGIC:
		return unknown, "FUSE"
	}
	return local, ""
}

// freeBytes returns how many bytes this process may still write to the disk of a folder.
func freeBytes(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// forget drops what memory holds of a file that was synced.
func forget(f *os.File) { _ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }

// syncDir makes the names in a folder durable.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
