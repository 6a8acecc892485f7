# Sector 0 that starts the active entry, by its sector number or by its tuple.
.include "common.inc"
_start:
	cli
	xor ax, ax
	mov ds, ax
	mov es, ax
	mov ss, ax
	mov sp, 0x7c00
	sti
	cld
	mov si, 0x7c00
	mov di, 0x0600
	mov cx, 256
	rep movsw
	ljmp 0, 0x0600 + moved
moved:
	say 'M'
	mov si, 0x07be
	mov cx, 4
next:
	test byte ptr [si], 0x80
	jnz found
	add si, 16
	loop next
	stop 'A'
found:
.if CHS
	mov dh, [si+1]
	mov cx, [si+2] # sector and cylinder, as the function wants them
	mov bx, 0x7c00
	mov ax, 0x0201
.else
	mov eax, [si+8]
	mov [0x0600 + packet + 8], eax
	push si
	mov si, offset packet + 0x600
	mov ah, 0x42
.endif
	int 0x13
	jc failed
.if CHS == 0
	pop si
.endif
	cmp word ptr [0x7dfe], 0xaa55
	jne failed
	ljmp 0, 0x7c00
failed:
	stop 'B'
	.balign 4
packet:	.byte 16, 0
	.word 1, 0x7c00, 0
	.long 0, 0
	.org 0x1b8
