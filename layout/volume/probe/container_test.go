package probe

import (
	"encoding/binary"
	"os"
	"os/exec"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// named is a volume of a kind of which only the name is known, and what blkid
// of util-linux calls the kind.
var named = []struct {
	name, kind, blkid string
	size              int64
	tool              string
	args              []string
	label             bool // blkid reads the label from the same bytes as we
	id                bool
}{
	{"LUKS 1", "luks", "crypto_LUKS", 16 << 20, "cryptsetup", []string{"luksFormat", "-q", "--type", "luks1", "--pbkdf-force-iterations", "1000", "FILE", "-"}, false, true},
	{"LUKS 2", "luks", "crypto_LUKS", 32 << 20, "cryptsetup", []string{"luksFormat", "-q", "--type", "luks2", "--label", "CLOSED", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", "FILE", "-"}, true, true},
	{"btrfs", "btrfs", "btrfs", 128 << 20, "mkfs.btrfs", []string{"-q", "-L", "Töne", "FILE"}, true, true},
	{"XFS", "xfs", "xfs", 320 << 20, "mkfs.xfs", []string{"-q", "-L", "takes", "FILE"}, true, true},
	{"F2FS", "f2fs", "f2fs", 64 << 20, "mkfs.f2fs", []string{"-q", "-l", "flash", "FILE"}, true, true},
	{"UDF", "udf", "udf", 16 << 20, "mkudffs", []string{"--media-type=hd", "FILE"}, false, false},
	{"UDF, blocks of 2048 bytes", "udf", "udf", 16 << 20, "mkudffs", []string{"-b", "2048", "--media-type=dvdram", "FILE"}, false, false},
	{"UDF, blocks of 4096 bytes", "udf", "udf", 16 << 20, "mkudffs", []string{"-b", "4096", "--media-type=hd", "FILE"}, false, false},
}

func TestNamedVolumesOfRealTools(t *testing.T) {
	for _, c := range named {
		t.Run(c.name, func(t *testing.T) {
			file := blank(t, c.size)
			cmd := exec.Command(need.Tool(t, c.tool), strings.Split(strings.ReplaceAll(strings.Join(c.args, "\n"), "FILE", file), "\n")...)
			cmd.Stdin = strings.NewReader("a passphrase")
			cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%s: %v\n%s", c.tool, err, out)
			}
			src := image512(t, file)
			v, _ := recognise(t, src, image.Whole(src))
			theirs := imagetest.Blkid(t, file)
			if v.Kind != c.kind || theirs["TYPE"] != c.blkid || !NameOnly(v.Kind) || v.Span != image.Whole(src) {
				t.Errorf("blkid says %v, we say %+v", theirs, v)
			}
			if c.label && v.Label != theirs["LABEL"] || c.id && v.ID != theirs["UUID"] {
				t.Errorf("blkid says %v, we say %+v", theirs, v)
			}
		})
	}
}

// A physical volume of LVM2: its own tool wants a block device.
func TestNamedVolumeLVM2(t *testing.T) {
	need.Root(t)
	pvcreate := need.Tool(t, "pvcreate")
	file := blank(t, 16<<20)
	node := need.Loop(t, file)
	out, err := exec.Command(pvcreate, "-q", "-ff", "-y", "--config", `devices { use_devicesfile=0 filter=["a|^`+node+`$|","r|.*|"] }`, node).CombinedOutput()
	if err != nil {
		t.Fatalf("pvcreate: %v\n%s", err, out)
	}
	src := image512(t, file)
	v, _ := recognise(t, src, image.Whole(src))
	if theirs := imagetest.Blkid(t, file); v.Kind != "lvm2" || theirs["TYPE"] != "LVM2_member" || v.ID != theirs["UUID"] {
		t.Errorf("blkid says %v, we say %+v", theirs, v)
	}
}

// Members of a RAID and of a pool, made by hand after the structures that the
// detectors name; blkid takes them for the same.
func TestNamedVolumesByHand(t *testing.T) {
	const sectors = 32 << 20 / 512
	le := binary.LittleEndian
	md1 := func(at disk.Sector) *imagetest.Disk {
		b := make([]byte, 1024)
		le.PutUint32(b, mdMagic)
		le.PutUint32(b[4:], 1)
		copy(b[16:32], "0123456789abcdef")
		copy(b[32:], "bench:7")
		le.PutUint64(b[80:], 1000)
		le.PutUint32(b[92:], 2)     // raid_disks
		le.PutUint64(b[136:], 2000) // data_size
		le.PutUint64(b[144:], uint64(at))
		le.PutUint32(b[216:], mdChecksum(b))
		d := imagetest.New(sectors, 512)
		d.Put(at, b)
		return d
	}
	md0 := imagetest.New(sectors, 512)
	old := make([]byte, 4096)
	le.PutUint32(old, mdMagic)
	le.PutUint32(old[8:], 90)
	for _, at := range []int{20, 52, 56, 60} {
		copy(old[at:], "wxyz")
	}
	var sum uint32
	for i := 0; i < len(old); i += 4 { // sb_csum is the 39th word and counts as 0
		sum += le.Uint32(old[i:])
	}
	le.PutUint32(old[38*4:], sum)
	md0.Put(sectors-128, old)
	pool := imagetest.New(4*sectors, 512) // blkid wants 64 MiB
	for _, label := range []disk.Sector{0, 512} {
		pairs := make([]byte, 512)
		copy(pairs, "\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01")
		pool.Put(label+zfsPairs/512, pairs)
		for i := range disk.Sector(8) {
			b := make([]byte, 512)
			le.PutUint64(b, zfsMagic)
			le.PutUint64(b[8:], 5000)
			le.PutUint64(b[16:], uint64(i)+1)
			pool.Put(label+zfsRing/512+2*i, b)
		}
	}
	for _, c := range []struct {
		name, kind, blkid string
		disk              *imagetest.Disk
	}{
		{"md 0.90", "md", "linux_raid_member", md0},
		{"md 1.0", "md", "linux_raid_member", md1(sectors - 16)},
		{"md 1.1", "md", "linux_raid_member", md1(0)},
		{"md 1.2", "md", "linux_raid_member", md1(8)},
		{"ZFS", "zfs", "zfs_member", pool},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, _ := recognise(t, c.disk, image.Whole(c.disk))
			theirs := imagetest.Blkid(t, imagetest.Save(t, c.disk))
			if v.Kind != c.kind || theirs["TYPE"] != c.blkid || v.ID != theirs["UUID"] || v.Label != theirs["LABEL"] {
				t.Errorf("blkid says %v, we say %+v", theirs, v)
			}
		})
	}
}

// mdChecksum is calc_sb_1_csum of the Linux file drivers/md/md.c, for a
// super block without devices, sb_csum counted as 0.
func mdChecksum(b []byte) uint32 {
	var sum uint64
	for i := 0; i < 256; i += 4 {
		sum += uint64(binary.LittleEndian.Uint32(b[i:]))
	}
	return uint32(sum) + uint32(sum>>32)
}

// A blank volume and noise are none of them.
func TestNothingIsNamedByChance(t *testing.T) {
	for _, fill := range []byte{0x00, 0xFF, 0xF6} {
		d := imagetest.New(4096, 512)
		b := make([]byte, 4096*512)
		for i := range b {
			b[i] = fill
		}
		d.Put(0, b)
		if v, findings, err := Recognise(d, image.Whole(d)); v != nil || findings != nil || err != nil {
			t.Errorf("%02X: %+v %v %v", fill, v, findings, err)
		}
	}
}
