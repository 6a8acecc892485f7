# Sector 0 of a device with a second stage in the gap, which wants its settings in a
# sector near the end of the disk: so many sectors before the end, or at an address.
.include "common.inc"
_start:
	cli
	xor ax, ax
	mov ds, ax
	mov es, ax
	mov ss, ax
	mov sp, 0x7c00
	sti
	mov [drive], dl
	say 'S'
	mov si, offset packet
	mov ah, 0x42
	int 0x13
	jc failed
	cmp dword ptr [0x8000], 0x32475453 # "STG2"
	jne failed
	cmp dword ptr [0x87fc], 0x32444e45 # "END2"
	jne failed
	ljmp 0, 0x8004
failed:
	stop '1'
	.balign 4
packet:	.byte 16, 0
	.word 4, 0x8000, 0
gap:	.long 0, 0
	.org 0x7a
drive:	.byte 0
	.org 0x1b8
