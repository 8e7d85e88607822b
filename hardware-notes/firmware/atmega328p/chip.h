/* What the common part needs of the chip: 16 MHz ATmega328P. The other chip's file of this name has the same. */
#ifndef CHIP_H
#define CHIP_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>
#include <util/atomic.h>
#include <util/crc16.h>

#include "halves.h"
#include "pins.h"

/* Ticks of 0.5 us: timer 1 at an eighth of the clock. */
#define TICK_HZ 2000000UL

#define ANALOG_CHANNELS_MOST 6
#define ANALOG_CHANNELS_USUAL 4

/* Teeth of pickup 1 on their way to the main loop. */
#define EVENTS 32
typedef uint8_t events_index;

/* The block that follows is not interrupted. */
#define ATOMIC ATOMIC_BLOCK(ATOMIC_RESTORESTATE)

static inline uint16_t crc_add(uint16_t crc, uint8_t byte)
{
    return _crc_xmodem_update(crc, byte);
}

static inline void run_pin_low(void)
{
    PORTB &= ~RUN_BIT;
}

static inline void run_pin_high(void)
{
    PORTB |= RUN_BIT;
}

static inline void lamp_set(bool on)
{
    if (on)
        PORTD |= LAMP_BIT;
    else
        PORTD &= ~LAMP_BIT;
}

/* First of all: run pin low. */
static inline void chip_start(void)
{
    run_pin_low();
    DDRB |= RUN_BIT;
    DDRD |= LAMP_BIT;
}

static inline void interrupts_on(void)
{
    sei();
}

/* Resets the chip, and with that the run pin, if it is not fed for 64 ms. */
static inline void watchdog_start(void)
{
    wdt_enable(WDTO_60MS);
}

static inline void watchdog_feed(void)
{
    wdt_reset();
}

/* End of a turn of the main loop. */
static inline void chip_idle(void)
{
}

/* ---- Time ---------------------------------------------------------------------------------- */

/* High half; written by the overflow interrupt only. */
extern volatile uint16_t ticks_high;

/* Puts the high half before a reading of timer 1. Interrupts must be off, and the reading at most
 * 16 ms old: a low half that is small although the overflow is still pending came after it. */
static inline uint32_t ticks_extend(uint16_t low)
{
    union tick_halves tick = { { low, ticks_high } };
    if ((TIFR1 & _BV(TOV1)) && !(low & 0x8000))
        tick.high++;
    return tick.whole;
}

static inline uint32_t ticks_now(void)
{
    uint32_t now;
    ATOMIC {
        now = ticks_extend(TCNT1);
    }
    return now;
}

#endif
