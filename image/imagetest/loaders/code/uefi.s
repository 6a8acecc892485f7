# What runs as a program of the firmware: it says that it runs. 64-bit code.
.intel_syntax noprefix
.code64
.globl _start
_start:
	lea rsi, [rip+text]
	cld
next:
	lodsb
	out 0xe9, al
	test al, al
	jnz next
ended:
	hlt
	jmp ended
text:	.asciz "<STARTED>"
