package store

import (
	"os"

	"golang.org/x/sys/unix"
)

// place says what kind of file system a folder is on.
func placeOf(dir string) (place, string, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return local, "", err
	}
	p, name := placeOfMagic(uint32(s.Type))
	return p, name, nil
}

// placeOfMagic knows the file systems by the numbers of statfs(2) and
// linux/magic.h; the numbers of the cluster ones are from memory.
func placeOfMagic(magic uint32) (place, string) {
	switch magic {
	case 0x6969:
		return network, "NFS"
	case 0x517b, 0xfe534d42, 0xff534d42:
		return network, "SMB"
	case 0x01021997:
		return network, "9P"
	case 0x00c36400:
		return network, "Ceph"
	case 0x5346414f, 0x6b414653:
		return network, "AFS"
	case 0x73757245:
		return network, "Coda"
	case 0x0bd00bd0:
		return network, "Lustre"
	case 0x01161970:
		return network, "GFS2"
	case 0x7461636f:
		return network, "OCFS2"
	case 0x01021994:
		return memory, "tmpfs"
	case 0x858458f6:
		return memory, "ramfs"
	case 0x65735546:
		return unknown, "FUSE"
	}
	return local, ""
}

// freeBytes returns the room that this process may still fill.
func freeBytes(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// syncDir makes the names in a folder durable.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
