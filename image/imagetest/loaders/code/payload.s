# What a loader starts: it says that it runs, wherever it lies. With a number of
# sectors at byte 1E0h it wants its last bytes to be those of its own end.
.include "common.inc"
_start:
	jmp short begin
	nop
	.ascii "MARKLOAD"
	.org 0x5a # as in a boot sector: a loader may put the numbers of a volume before it
begin:
	cli
	call here
here:
	pop bx
	sub bx, offset here # bx is the first byte of it
	push cs
	pop ds
	mov cx, [bx+0x1e0]
	jcxz whole
	mov di, bx
	shl cx, 9
	add di, cx
	cmp dword ptr [di-4], 0x21444e45 # "END!"
	je whole
	stop 'P'
whole:
	lea si, [bx+text]
next:
	lodsb
	out 0xe9, al
	test al, al
	jnz next
ended:
	hlt
	jmp ended
text:
	.asciz "<STARTED>"
	.org 0x1e0
	.word 0
	.org 510
	.byte 0x55, 0xaa
