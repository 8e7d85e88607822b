/* From the second stage to main(): clock, RAM tried, program copied from flash to RAM. This file runs in flash; all
 * else in RAM, so that the flash can be written, and every access takes the same time.
 *
 * The stack is in the RAM's last 4 kB. Until the program is copied nothing in here may call anything of it. */
#include "chip.h"
#include "selftest.h"

extern uint8_t stack_top;
extern uint32_t ram_start, ram_end, image_start, image_end, image_in_flash, bss_start, bss_end;

int main(void);
void start(void);
void systick(void);
void fault(void);
void pickups(void);

typedef void handler(void);
#define IN_FLASH __attribute__((section(".startup"), noinline, noclone, noipa, optimize("no-tree-loop-distribute-patterns")))

__attribute__((section(".vectors"), used)) static handler *const vectors_in_flash[2] = {
    (handler *)&stack_top,
    start,
};

/* Its place is the first of the image, which the hardware wants on a multiple of 256. */
#define EXCEPTIONS 16
#define PIO0_IRQ_0 7
__attribute__((section(".ram_vectors"), used)) static handler *const vectors[EXCEPTIONS + 32] = {
    [0] = (handler *)&stack_top,
    [1] = start,
    [2 ... 14] = fault,
    [15] = systick,
    [EXCEPTIONS ... EXCEPTIONS + PIO0_IRQ_0 - 1] = fault,
    [EXCEPTIONS + PIO0_IRQ_0] = pickups,
    [EXCEPTIONS + PIO0_IRQ_0 + 1 ... EXCEPTIONS + 31] = fault,
};

/* The crystal's 12 MHz · 100 / (5 · 5). */
IN_FLASH static void clock_start(void)
{
    REGISTER(XOSC_STARTUP) = 47; /* 1 ms */
    REGISTER(XOSC_CTRL) = 0xfabaa0;
    while (!(REGISTER(XOSC_STATUS) & 1u << 31))
        ;
    REGISTER(CLOCKS_SYS_CTRL) = 0; /* from the reference, while the PLL is set */
    while (!(REGISTER(CLOCKS_SYS_SELECTED) & 1))
        ;
    REGISTER(CLOCKS_REF_CTRL) = 2; /* the crystal */
    while (!(REGISTER(CLOCKS_REF_SELECTED) & 4))
        ;
    CLEAR(RESETS_RESET) = RESETS_PLL_SYS;
    while (!(REGISTER(RESETS_DONE) & RESETS_PLL_SYS))
        ;
    REGISTER(PLL_SYS_PWR) = 0x2d;
    REGISTER(PLL_SYS_CS) = 1;
    REGISTER(PLL_SYS_FBDIV) = 100;
    CLEAR(PLL_SYS_PWR) = 0x21;
    while (!(REGISTER(PLL_SYS_CS) & 1u << 31))
        ;
    REGISTER(PLL_SYS_PRIM) = 5 << 16 | 5 << 12;
    CLEAR(PLL_SYS_PWR) = 0x08;
    REGISTER(CLOCKS_SYS_CTRL) = 1; /* the PLL */
    while (!(REGISTER(CLOCKS_SYS_SELECTED) & 2))
        ;
    REGISTER(CLOCKS_PERI_CTRL) = 1 << 11;          /* the system clock */
    REGISTER(CLOCKS_ADC_CTRL) = 1 << 11 | 1 << 5;  /* the PLL */
}

/* Its own address in each word, then the complement: finds stuck bits, and words that answer to two
 * addresses. */
IN_FLASH static bool ram_is_sound(volatile uint32_t *from, volatile uint32_t *to)
{
    bool sound = true;
    for (volatile uint32_t *at = from; at < to; at++)
        *at = (uint32_t)at;
    for (volatile uint32_t *at = from; at < to; at++) {
        sound &= *at == (uint32_t)at;
        *at = ~(uint32_t)at;
    }
    for (volatile uint32_t *at = from; at < to; at++) {
        sound &= *at == ~(uint32_t)at;
        *at = STACK_PAINT * 0x01010101u;
    }
    return sound;
}

IN_FLASH void start(void)
{
    clock_start();
    volatile uint32_t *here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    /* The stack's part below what is in use now, with room for the call. */
    bool sound = ram_is_sound((volatile uint32_t *)&stack_end, here - 32);
    sound &= ram_is_sound(&ram_start, &ram_end);
    REGISTER(WATCHDOG_SCRATCH0) = !sound;
    volatile const uint32_t *from = &image_in_flash;
    for (volatile uint32_t *to = &image_start; to < &image_end; to++)
        *to = *from++;
    for (volatile uint32_t *to = &bss_start; to < &bss_end; to++)
        *to = 0;
    REGISTER(0xe000ed08) = (uint32_t)vectors;
    handler *volatile program = (handler *)main;
    program();
}
