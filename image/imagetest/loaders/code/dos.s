# The boot sector of a FAT12 or FAT16 volume that wants its system file as the first
# entry of the root directory and in one piece, and counts from what the volume says
# of itself: hidden sectors, reserved sectors, tables; CHS also heads and sectors of a
# track.
.include "common.inc"
.equ BPB, 0x7c00
_start:
	jmp short begin
	nop
	.org 0x3e
begin:
	cli
	xor ax, ax
	mov ds, ax
	mov es, ax
	mov ss, ax
	mov sp, 0x7c00
	sti
	cld
	mov [drive], dl
	say 'V'
	movzx eax, word ptr [BPB+0x16] # sectors of a table
	movzx ecx, byte ptr [BPB+0x10] # tables
	mul ecx
	movzx ecx, word ptr [BPB+0x0e] # reserved
	add eax, ecx
	add eax, [BPB+0x1c]            # hidden
	mov ebp, eax                   # root directory
	mov bx, 0x8000
	call read
	mov si, offset name
	mov di, 0x8000
	mov cx, 11
	repe cmpsb
	je there
	stop 'N'
there:
	say 'N'
	movzx eax, word ptr [0x8000+26]
	sub eax, 2
	movzx ecx, byte ptr [BPB+0x0d]
	mul ecx
	movzx ecx, word ptr [BPB+0x11]
	shr ecx, 4
	add eax, ecx
	add eax, ebp
	mov ecx, [0x8000+28]
	add ecx, 511
	shr ecx, 9
	mov bx, 0x9000
next:
	call read
	inc eax
	add bx, 512
	loop next
	cmp dword ptr [0x9003], MARK
	jne wrong
	ljmp 0, 0x9000
wrong:
	stop 'W'

# read reads sector eax into es:bx.
read:
	pushad
.if CHS
	xor edx, edx
	movzx ecx, word ptr [BPB+0x18]
	div ecx
	inc dx
	push dx         # sector
	xor edx, edx
	movzx ecx, word ptr [BPB+0x1a]
	div ecx         # eax = cylinder, edx = head
	pop cx
	mov ch, al
	shl ah, 6
	or cl, ah
	mov dh, dl
	mov dl, [drive]
	mov ax, 0x0201
.else
	mov [packet+4], bx
	mov [packet+8], eax
	mov si, offset packet
	mov ah, 0x42
	mov dl, [drive]
.endif
	int 0x13
	jc failed
	popad
	ret
failed:
	stop 'R'
.if CHS == 0
	.balign 4
packet:	.byte 16, 0
	.word 1, 0, 0
	.long 0, 0
.endif
drive:	.byte 0
name:	.ascii "BOOTLOADBIN"
	.org 510
	.byte 0x55, 0xaa
