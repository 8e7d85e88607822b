/* Second stage of the start. The chip's boot ROM reads the first 256 bytes of the flash, checks the CRC in their
 * last four (uf2.py puts it there) and runs them in RAM (data sheet, 2.8.1.3). They make the flash readable as
 * memory, with command 0x03, which every serial flash has, and go on at the vector table behind them. */
    .syntax unified
    .cpu cortex-m0plus
    .thumb
    .section .boot2, "ax"
    .global boot2
    .thumb_func
boot2:
    ldr r3, ssi
    movs r0, #0
    str r0, [r3, #0x08]     @ SSIENR: off while it is set up
    movs r0, #4
    str r0, [r3, #0x14]     @ BAUDR: a quarter of the clock
    ldr r0, ctrlr0
    str r0, [r3, #0x00]
    movs r0, #0
    str r0, [r3, #0x04]     @ CTRLR1: one word a read
    ldr r0, spi_ctrlr0
    ldr r1, ssi_spi_ctrlr0
    str r0, [r1]
    movs r0, #1
    str r0, [r3, #0x08]
    ldr r0, vectors_at
    ldr r1, vtor
    str r0, [r1]
    ldm r0, {r0, r1}
    msr msp, r0
    bx r1
    .align 2
ssi: .word 0x18000000
ctrlr0: .word 31 << 16 | 3 << 8          @ 32 bits, "EEPROM read"
spi_ctrlr0: .word 0x03 << 24 | 2 << 8 | 6 << 2  @ command 0x03 of 8 bits, address of 24
ssi_spi_ctrlr0: .word 0x180000f4
vectors_at: .word 0x10000100
vtor: .word 0xe000ed08
