/* What the common part needs of the chip: RP2040 at 48 MHz. The other chip's file of this name has the same. */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

#include "halves.h"
#include "pins.h"
#include "registers.h"

#define CLOCK_HZ 48000000

/* Ticks of 62.5 ns: three cycles, a turn of the state machine's loop (capture.c). */
#define TICK_HZ 16000000UL
#define TICKS_PER_US (TICK_HZ / 1000000)

#define ANALOG_CHANNELS_MOST 3
#define ANALOG_CHANNELS_USUAL 3

/* Teeth of pickup 1 on their way to the main loop. */
#define EVENTS 512
typedef uint16_t events_index;

static inline uint32_t interrupts_save(void)
{
    uint32_t before;
    __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(before)::"memory");
    return before;
}

static inline void interrupts_restore(const uint32_t *before)
{
    __asm__ volatile("msr primask, %0" ::"r"(*before) : "memory");
}

/* The block that follows is not interrupted. */
#define ATOMIC \
    for (uint32_t before __attribute__((cleanup(interrupts_restore))) = interrupts_save(), once = 1; once; once = 0)

extern const uint16_t crc_table[256];

static inline uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    return (uint16_t)(crc << 8 ^ crc_table[(uint8_t)(crc >> 8 ^ byte)]);
}

static inline void run_pin_low(void)
{
    REGISTER(SIO_GPIO_OUT_CLR) = 1u << RUN_PIN;
}

static inline void run_pin_high(void)
{
    REGISTER(SIO_GPIO_OUT_SET) = 1u << RUN_PIN;
}

static inline void lamp_set(bool on)
{
    REGISTER(on ? SIO_GPIO_OUT_SET : SIO_GPIO_OUT_CLR) = 1u << LAMP_PIN;
}

/* First of all: run pin low. */
void chip_start(void);

void interrupts_on(void);

#define WATCHDOG_US 64000

/* Resets the chip, and with that the run pin, if it is not fed for 64 ms. */
void watchdog_start(void);

static inline void watchdog_feed(void)
{
    /* It counts two for each microsecond (erratum RP2040-E1). */
    REGISTER(WATCHDOG_LOAD) = 2 * WATCHDOG_US;
}

/* End of a turn of the main loop: sleeps until the next interrupt, at most 0.1 ms. */
static inline void chip_idle(void)
{
    __asm__ volatile("wfi");
}

/* ---- Time ---------------------------------------------------------------------------------- */

/* So far ahead of the ticks of teeth is the tick of anything else, at most, and never behind. The
 * microsecond timer and the state machines run from one crystal, so it is always the same. */
#define TICKS_AHEAD (2 * TICKS_PER_US)

extern uint32_t ticks_origin;

static inline uint32_t ticks_now(void)
{
    return REGISTER(TIMER_RAWL) * TICKS_PER_US - ticks_origin;
}

#endif
