# Sector 0 of a disk that names a file by its place, in one of eight encodings. The
# sector there is the payload, or a map, which names every part of the payload in the
# same way. The encodings that are shorter than 32 bits, or no number at all, have the
# count of sectors beside them, as code has that reads a run at once.
.include "common.inc"
.equ LE32, 1
.equ BE32, 2
.equ SWAPPED, 3  # the higher word first, each lowest byte first
.equ BITS24, 4
.equ KIB, 5
.equ RELATIVE, 6 # counted from the start of the first entry
.equ CLUSTER, 7
.equ TUPLE, 8    # head, sector, cylinder, as a partition table writes it

_start:
	cli
	xor ax, ax
	mov ds, ax
	mov es, ax
	mov ss, ax
	mov sp, 0x7c00
	sti
	mov [drive], dl
	say 'M'
.if ENC == CLUSTER
	# The first sector of the volume says where its cluster 2 lies.
	mov eax, [0x7dc6]
	mov bx, 0x7e00
	call read
	movzx eax, word ptr [0x7e00+0x16]
	movzx ecx, byte ptr [0x7e00+0x10]
	mul ecx
	movzx ecx, word ptr [0x7e00+0x0e]
	add eax, ecx
	movzx ecx, word ptr [0x7e00+0x11]
	shr ecx, 4
	add eax, ecx
	add eax, [0x7dc6]
	mov [data], eax
.endif
.if ENC == BITS24 || ENC == CLUSTER || ENC == TUPLE
	movzx ax, byte ptr [count]
	mov [packet+2], ax
.endif
	mov si, offset number
	mov bx, 0x8000
	call readnumber
	cmp dword ptr [0x8003], MARK
	je direct
	cmp dword ptr [0x8000], 0x4650414d # "MAPF"
	jne wrong
	say 'F'
	movzx cx, byte ptr [0x8004]
	mov si, 0x8008
	mov bx, 0x9000
.if ENC == CLUSTER
	movzx ax, byte ptr [0x7e00+0x0d]
.elseif ENC == KIB
	mov ax, 2
.else
	mov ax, 1
.endif
	mov [packet+2], ax
	mov dx, ax
	shl dx, 9
next:
	call readnumber
	add si, STEP
	add bx, dx
	loop next
	cmp dword ptr [0x9003], MARK
	jne wrong
	ljmp 0, 0x9000
direct:
	ljmp 0, 0x8000
wrong:
	stop 'W'

# readnumber reads into es:bx the sector that the number at si names.
readnumber:
	pusha
.if ENC == TUPLE
	mov dh, [si]
	mov cx, [si+1] # cl = sector, ch = cylinder: as they lie there
	mov dl, [drive]
	mov al, [packet+2]
	mov ah, 0x02
	int 0x13
	jc failed
.else
	mov eax, [si]
.if ENC == BE32
	xchg al, ah
	rol eax, 16
	xchg al, ah
.elseif ENC == SWAPPED
	rol eax, 16
.elseif ENC == BITS24
	and eax, 0xffffff
.elseif ENC == KIB
	shl eax, 1
.elseif ENC == RELATIVE
	add eax, [0x7dc6]
.elseif ENC == CLUSTER
	movzx eax, ax
	sub eax, 2
	movzx ecx, byte ptr [0x7e00+0x0d]
	mul ecx
	add eax, [data]
.endif
	call read
.endif
	popa
	ret

# read reads sector eax into es:bx.
read:
	pusha
	mov [packet+4], bx
	mov [packet+8], eax
	mov si, offset packet
	mov ah, 0x42
	mov dl, [drive]
	int 0x13
	jc failed
	popa
	ret
failed:
	stop 'R'

	.balign 4
packet:	.byte 16, 0
	.word 1, 0, 0
	.long 0, 0
drive:	.byte 0
.if ENC == CLUSTER
	.balign 4
data:	.long 0
.endif
	.org 0x1a1 # an odd place: no loader has to keep its numbers on round ones
.if ENC == BITS24 || ENC == TUPLE
number:	.byte 0, 0, 0
count:	.byte 0
.elseif ENC == CLUSTER
number:	.word 0
count:	.byte 0
.else
number:	.long 0
.endif
	.org 0x1b8
