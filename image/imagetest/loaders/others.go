//go:build linux

package loaders

import (
	"encoding/binary"
	"os"
	"os/exec"
	"path/filepath"

	"bootgraft/image/imagetest/need"
)

// packaged returns a file of a package.
func (d *disk) packaged(pkg, path string) []byte {
	d.t.Helper()
	b, err := os.ReadFile(need.Packaged(d.t, pkg, path))
	if err != nil {
		d.t.Fatal(err)
	}
	return b
}

// grubConfig lets GRUB 2 say that it has started; outb is a command of it.
func grubConfig() []byte {
	var text []byte
	for _, c := range []byte(started) {
		text = append(text, "outb 0xe9 0x"...)
		text = append(text, "0123456789abcdef"[c>>4], "0123456789abcdef"[c&15], '\n')
	}
	return append(text, "sleep 600\n"...)
}

// core makes the core image of GRUB 2, which reads FAT and ext2.
func (d *disk) core() []byte {
	d.t.Helper()
	boot := need.Packaged(d.t, "grub-pc-bin", "usr/lib/grub/i386-pc/boot.img")
	out := filepath.Join(d.folder, "core.img")
	d.run("grub-mkimage", "-d", filepath.Dir(boot), "-O", "i386-pc", "-o", out, "-p", "(hd0,msdos1)/boot/grub",
		"biosdisk", "part_msdos", "fat", "ext2", "iorw", "sleep", "normal", "minicmd")
	b, err := os.ReadFile(out)
	if err != nil {
		d.t.Fatal(err)
	}
	return append(b, make([]byte, -len(b)&(sector-1))...)
}

// grubBoot writes sector 0 of GRUB 2, which starts a core image that lies in these
// sectors, and the list of them into the first (grub-core/boot/i386/pc/boot.S and
// diskboot.S of GRUB 2.06: kernel_sector at 5Ch, the jump over the drive's number at
// 66h, lists of start, count and segment from 1F4h downwards).
func (d *disk) grubBoot(core []int64) {
	boot := d.packaged("grub-pc-bin", "usr/lib/grub/i386-pc/boot.img")
	binary.LittleEndian.PutUint64(boot[0x5c:], uint64(core[0]))
	boot[0x64] = 0xff
	copy(boot[0x66:], []byte{0x90, 0x90})
	d.bootCode(boot)
	segment := 0x820
	for at, rest := int64(0x1f4), core[1:]; len(rest) > 0; at -= 12 {
		n := 1
		for n < len(rest) && rest[n] == rest[0]+int64(n) {
			n++
		}
		item := append(append(le32(rest[0]), 0, 0, 0, 0), append(le16(int64(n)), le16(int64(segment))...)...)
		d.write(core[0]*sector+at, item)
		segment += n * sector / 16
		rest = rest[n:]
	}
}

// from returns n sectors that follow each other.
func from(start int64, n int) []int64 {
	out := make([]int64, n)
	for i := range out {
		out[i] = start + int64(i)
	}
	return out
}

// grubGap puts the core image of GRUB 2 into the gap from sector 1.
func grubGap(d *disk) {
	core := d.core()
	d.write(sector, core)
	d.grubBoot(from(1, len(core)/sector))
}

func grubFile(d *disk) { d.put("boot/core.img", d.core()) }

// grubFileBoot names the core image where it lies in the volume.
func grubFileBoot(d *disk) {
	d.grubBoot(d.places("boot/core.img")[:len(d.core())/sector])
}

func grubMenu(d *disk) { d.put("boot/grub/grub.cfg", grubConfig()) }

// legacy returns a file of GRUB 0.97.
func (d *disk) legacy(name string) []byte {
	return d.packaged("grub-legacy", "usr/lib/grub/x86_64-pc/"+name)
}

// legacyBoot writes sector 0 of GRUB 0.97, which loads the sector first to an address
// (stage1/stage1.h: address at 42h, sector at 44h, segment at 48h, the jump over the
// drive's number at 4Bh).
func (d *disk) legacyBoot(first, address int64) {
	b := d.legacy("stage1")
	copy(b[0x42:], le16(address))
	copy(b[0x44:], le32(first))
	copy(b[0x48:], le16(address>>4))
	copy(b[0x4b:], []byte{0x90, 0x90})
	d.write(0, b[:3])
	d.write(0x3e, b[0x3e:440])
}

// legacyGap puts stage 1.5 into the gap, which finds stage 2 by its name
// (stage2/start.S: list at 1F8h; stage2/asm.S: the entry in which it is at 21Ah less 1,
// and the name of the menu behind that of stage 2).
func legacyGap(d *disk) {
	name := map[bool]string{true: "fat_stage1_5", false: "e2fs_stage1_5"}[d.FAT != 0]
	b := d.legacy(name)
	b = append(b, make([]byte, -len(b)&(sector-1))...)
	copy(b[0x1f8:], le32(2))
	copy(b[0x1fc:], le16(int64(len(b)/sector-1)))
	b[0x219] = 0
	copy(b[0x22c:], " /boot/grub/menu.lst\x00")
	d.write(sector, b)
	d.legacyBoot(1, 0x2000)
}

func legacyStage2(d *disk) { d.put("boot/grub/stage2", d.legacy("stage2")) }

// legacyList lets sector 0 load stage 2 from the volume, which names its own sectors
// (stage2/start.S: lists of start, count and segment from 1F8h downwards;
// stage2/asm.S: install_partition at 208h).
func legacyList(d *disk) {
	at := d.places("boot/grub/stage2")
	at = at[:(len(d.legacy("stage2"))+sector-1)/sector]
	d.legacyBoot(at[0], 0x8000)
	segment := int64(0x820)
	for slot, rest := int64(0x1f8), at[1:]; len(rest) > 0; slot -= 8 {
		n := 1
		for n < len(rest) && rest[n] == rest[0]+int64(n) {
			n++
		}
		d.write(at[0]*sector+slot, append(le32(rest[0]), append(le16(int64(n)), le16(segment)...)...))
		segment += int64(n) * sector / 16
		rest = rest[n:]
	}
	d.write(at[1]*sector+0x0a, []byte{0})
}

func legacyMenu(d *disk) {
	d.put("boot/grub/menu.lst", []byte("default 0\ntimeout 0\ntitle x\nroot (hd0,0)\nchainloader /payload.bin\nboot\n"))
	d.put("payload.bin", codeBytes(d.t, "payload"))
}

// syslinux lets the installer of SYSLINUX write its file and the boot sector.
func syslinux(d *disk) {
	c := exec.Command(need.Packaged(d.t, "syslinux", "usr/bin/syslinux"), "--offset", num(d.Start*sector), "--install",
		d.path)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1")
	if out, err := c.CombinedOutput(); err != nil {
		d.t.Fatalf("syslinux: %v\n%s", err, out)
	}
}

const syslinuxConfig = "DEFAULT x\nLABEL x\nBOOT payload.bs\n"

func syslinuxMenu(d *disk) {
	d.put("syslinux.cfg", []byte(syslinuxConfig))
	d.put("payload.bs", codeBytes(d.t, "payload"))
}

func syslinuxBoot(d *disk) {
	d.bootCode(d.packaged("syslinux-common", "usr/lib/syslinux/mbr/mbr.bin"))
}

// extlinux needs the volume mounted, and lies beside what it starts.
func extlinux(d *disk) {
	tool := need.Packaged(d.t, "extlinux", "usr/bin/extlinux")
	d.put("extlinux.conf", []byte(syslinuxConfig))
	d.put("payload.bs", codeBytes(d.t, "payload"))
	node := need.Loop(d.t, d.path, "--offset", num(d.Start*sector), "--sizelimit", num(d.count/2*1024))
	folder := filepath.Join(d.folder, "mounted")
	if err := os.Mkdir(folder, 0o700); err != nil {
		d.t.Fatal(err)
	}
	back := need.LentMount(d.t, folder)
	defer back()
	d.run("mount", node, folder)
	out, err := exec.Command(tool, "--install", folder).CombinedOutput()
	if e := need.Unmount(folder); e != nil {
		d.t.Error(e)
	}
	if err != nil {
		d.t.Fatalf("extlinux: %v\n%s", err, out)
	}
	d.run("sync", d.path)
}
