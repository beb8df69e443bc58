/* Second stage: the first 256 bytes of the flash, which the chip's boot ROM copies to 0x20041F00, checks and calls.
 * It sets the flash interface to plain reads (command 03h, one wire each way, which every serial flash knows), copies the
 * whole firmware to memory and starts it there, so that nothing runs from the flash afterwards. uf2.py puts the CRC-32
 * that the boot ROM wants into bytes 252 to 255. Position-independent; uses no stack. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"
    .global boot2
boot2:
    ldr r3, =0x18000000     /* flash interface */
    movs r1, #0
    str r1, [r3, #0x08]     /* SSIENR: off while it is set */
    movs r1, #4
    str r1, [r3, #0x14]     /* BAUDR: a quarter of the 6 MHz that the chip starts with */
    ldr r1, =0x001F0300     /* CTRLR0: frames of 32 bits, send command and address, then receive */
    str r1, [r3, #0x00]
    movs r1, #0
    str r1, [r3, #0x04]     /* CTRLR1: one frame a read */
    ldr r2, =0x180000F4
    ldr r1, =0x03000218     /* SPI_CTRLR0: command 03h of 8 bits, address of 24 bits */
    str r1, [r2]
    movs r1, #1
    str r1, [r3, #0x08]
    ldr r0, =image_load
    ldr r1, =image_begin
    ldr r2, =image_end
copy:
    ldmia r0!, {r3}
    stmia r1!, {r3}
    cmp r1, r2
    blo copy
    ldr r0, =image_begin    /* the vector table */
    ldr r1, =0xE000ED08     /* VTOR */
    str r0, [r1]
    ldmia r0!, {r1, r2}
    msr msp, r1
    bx r2
    .ltorg
