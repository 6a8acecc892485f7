//go:build linux

package loaders

import (
	"slices"

	"bootgraft/image/imagetest/machine"
)

// named are the loaders that are put on by hand, one line each.
func named() []Install {
	return []Install{
		{Name: "grub2 in the gap, fat16", Form: Form{FAT: 16, Start: Heads * Track}, Payload: grubMenu, Finish: grubGap},
		{Name: "grub2 in the gap, fat32", Form: Form{FAT: 32, Start: Heads * Track}, Payload: grubMenu, Finish: grubGap},
		{Name: "grub2 in the gap, ext2", Form: Form{Start: Heads * Track}, Payload: grubMenu, Finish: grubGap},
		{Name: "grub2 as a file, fat16", Form: Form{FAT: 16, Start: Track}, Stage: grubFile, Payload: grubMenu,
			Finish: grubFileBoot},
		{Name: "grub2 as a file, fat32", Form: Form{FAT: 32, Start: Track}, Stage: grubFile, Payload: grubMenu,
			Finish: grubFileBoot},
		{Name: "grub2 as a file, ext2", Form: Form{Start: Track + 1}, Stage: grubFile, Payload: grubMenu,
			Finish: grubFileBoot},
		{Name: "legacy stage1.5, fat16", Form: Form{FAT: 16, Start: Track}, Stage: legacyStage2, Payload: legacyMenu,
			Finish: legacyGap},
		{Name: "legacy stage1.5, ext2", Form: Form{Start: Track}, Stage: legacyStage2, Payload: legacyMenu,
			Finish: legacyGap},
		{Name: "legacy by list, fat16", Form: Form{FAT: 16, Start: Track}, Stage: legacyStage2, Payload: legacyMenu,
			Finish: legacyList},
		{Name: "syslinux, fat12", Form: Form{FAT: 12, Start: Track}, Stage: syslinux, Payload: syslinuxMenu,
			Finish: syslinuxBoot},
		{Name: "syslinux, fat16", Form: Form{FAT: 16, Start: Track}, Stage: syslinux, Payload: syslinuxMenu,
			Finish: syslinuxBoot},
		{Name: "syslinux, fat32", Form: Form{FAT: 32, Start: Track}, Stage: syslinux, Payload: syslinuxMenu,
			Finish: syslinuxBoot},
		{Name: "extlinux, ext2", Form: Form{Start: Track}, Stage: extlinux, Finish: syslinuxBoot},
		{Name: "dos lba, fat16", Form: Form{FAT: 16, Start: Track}, Payload: dosPayload, Finish: dosBoot("lba"),
			First: dosFile},
		{Name: "dos chs, fat16", Form: Form{FAT: 16, Start: Track}, Payload: dosPayload, Finish: dosBoot("chs"),
			First: dosFile, Pinned: true},
		{Name: "dos chs, machine's geometry", Form: Form{FAT: 16, Start: Track}, Payload: dosPayload, Finish: dosBoot("chs"),
			First: dosFile},
		{Name: "own, tail from the end", Form: Form{FAT: 16, Start: Track, Rest: ownTail}, Finish: ownBoot(false)},
		{Name: "own, tail by address", Form: Form{FAT: 16, Start: Track, Rest: ownTail}, Finish: ownBoot(true)},
		{Name: "uefi fallback, fat16", Form: Form{FAT: 16, Start: 2048, GPT: true}, Payload: uefiPayload,
			Firmware: machine.UEFI},
		{Name: "u-boot by name, fat16", Form: Form{FAT: 16, Start: Track}, Payload: uBootPayload, Firmware: machine.UBoot},
	}
}

// Installs are all loaders.
func Installs() []Install {
	all := named()
	for _, kind := range Encodings {
		form := Form{FAT: 16, Start: Track}
		payload, finish := mapAlone(kind)
		all = append(all, Install{
			Name: "map file, " + kind, Form: form, Pinned: kind == "chs",
			Stage: mapStage, Payload: func(d *disk) { d.put(mapPayload, d.payload(mapLong)) }, Finish: mapListed(kind),
		}, Install{Name: "one file, " + kind, Form: form, Pinned: kind == "chs", Payload: payload, Finish: finish})
	}
	for n := range all {
		i := &all[n]
		if i.Firmware == "" {
			i.Firmware = machine.SeaBIOS
		}
		// GRUB 0.97 resets the machine of the second BIOS, also on the old drive.
		i.Second = slices.Contains([]string{"grub2 in the gap, fat16", "syslinux, fat16", "dos lba, fat16",
			"dos chs, machine's geometry", "own, tail from the end", "map file, le32"}, i.Name)
	}
	return all
}
