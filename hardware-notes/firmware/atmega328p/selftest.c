#include "selftest.h"

#include <avr/pgmspace.h>

#include "inputs.h"
#include "ticks.h"

/* Given by the linker: end of what is in program memory. */
extern const uint8_t __data_load_end[];

/* Kept in registers for general purpose, which the start of the program leaves alone. */
#define RESET_CAUSE GPIOR1
#define RAM_RESULT GPIOR0
#define RAM_BAD 1

#define ADDRESS_PATTERN(at) (uint8_t)((uintptr_t)(at) ^ (uintptr_t)(at) >> 8)

/* Runs before there are variables or a stack, so it may use neither: no function call in here.
 * Reads why the board started, stops the watchdog (after a watchdog's reset it is on, with its
 * shortest time), tries every byte of RAM, and leaves it painted. */
void before_main(void) __attribute__((naked, used, section(".init1"), optimize("Os")));
void before_main(void)
{
    __asm__ volatile("clr __zero_reg__");
    RESET_CAUSE = MCUSR;
    MCUSR = 0;
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = 0;
    RAM_RESULT = 0;
    /* Its own address in each byte, then the complement: finds stuck bits, and bytes that answer to
     * two addresses. */
    volatile uint8_t *at;
    for (at = (volatile uint8_t *)RAMSTART; at <= (volatile uint8_t *)RAMEND; at++)
        *at = ADDRESS_PATTERN(at);
    for (at = (volatile uint8_t *)RAMSTART; at <= (volatile uint8_t *)RAMEND; at++) {
        if ((*at ^ ADDRESS_PATTERN(at)) != 0)
            RAM_RESULT = RAM_BAD;
        *at = ADDRESS_PATTERN(at) ^ 0xFF;
    }
    for (at = (volatile uint8_t *)RAMSTART; at <= (volatile uint8_t *)RAMEND; at++) {
        if ((*at ^ ADDRESS_PATTERN(at)) != 0xFF)
            RAM_RESULT = RAM_BAD;
        *at = STACK_PAINT;
    }
}

bool selftest_was_power_on(void)
{
    return (RESET_CAUSE & _BV(PORF)) && !(RESET_CAUSE & _BV(WDRF));
}

/* The Makefile puts a CRC behind the last byte of the program. */
static bool program_ok(void)
{
    const uint8_t *at = 0;
    uint16_t crc = 0xFFFF;
    for (; at < __data_load_end; at++)
        crc = crc_add(crc, pgm_read_byte(at));
    return crc == pgm_read_word(at);
}

#define ADC_BAND_GAP 0x0E

/* The converter sees its own reference against the supply. */
static bool supply_ok(void)
{
    /* The band gap is slow to settle: take the last of some. */
    for (uint8_t i = 0; i < 8; i++) {
        analog_start(ADC_BAND_GAP);
        while (analog_is_busy())
            ;
    }
    /* 1.0 to 1.2 V by its data sheet, of a supply of 4.5 to 5.5 V. */
    uint16_t counts = analog_result();
    return counts >= 1000UL * 1024 / 5500 && counts <= 1200UL * 1024 / 4500;
}

static bool clock_runs(void)
{
    uint32_t before = ticks_now();
    for (uint8_t n = 0; n < UINT8_MAX; n++)
        if (ticks_now() != before)
            return true;
    return false;
}

bool selftest_passed(void)
{
    bool output_low = !(PINB & RUN_BIT);
    return RAM_RESULT != RAM_BAD && program_ok() && supply_ok() && clock_runs() &&
           output_low;
}
