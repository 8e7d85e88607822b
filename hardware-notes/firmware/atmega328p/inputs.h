/* Pins and converters of the sensors. Nothing in here waits, but for what it says. */
#ifndef INPUTS_H
#define INPUTS_H

#include <util/delay.h>

#include "chip.h"
#include "config.h"

/* ---- Load-cell converter ------------------------------------------------------------------- */

static inline bool cell_data(void)
{
    return PIND & CELL_DATA_BIT;
}

static inline void cell_clock(bool high)
{
    if (high)
        PORTD |= CELL_CLOCK_BIT;
    else
        PORTD &= ~CELL_CLOCK_BIT;
}

/* Waits. */
static inline void half_a_microsecond(void)
{
    _delay_us(0.5);
}

/* ---- Analog converter ---------------------------------------------------------------------- */

#define ADC_SUPPLY_REFERENCE _BV(REFS0)

static inline void analog_start(uint8_t channel)
{
    ADMUX = ADC_SUPPLY_REFERENCE | channel;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
}

static inline bool analog_is_busy(void)
{
    return ADCSRA & _BV(ADSC);
}

static inline uint16_t analog_result(void)
{
    return ADC;
}

/* ---- Thermocouple converter ---------------------------------------------------------------- */

static inline void thermocouple_select(bool on)
{
    if (on)
        PORTB &= ~SELECT_BIT;
    else
        PORTB |= SELECT_BIT;
}

static inline void thermocouple_next_byte(void)
{
    SPDR = 0;
}

/* Whether the byte has come. */
static inline bool thermocouple_byte(uint8_t *byte)
{
    if (!(SPSR & _BV(SPIF)))
        return false;
    *byte = SPDR;
    return true;
}

/* -------------------------------------------------------------------------------------------- */

static inline void inputs_start(void)
{
#if FORCE_CHANNELS
    PORTD |= CELL_DATA_BIT; /* pull-up: no converter, no samples */
    DDRD |= CELL_CLOCK_BIT;
#endif
#if ANALOG_CHANNELS
    DIDR0 = (1 << ANALOG_CHANNELS) - 1;
#endif
#if TEMPERATURE_CHANNELS
    PORTB |= SELECT_BIT | _BV(PORTB4); /* pull-up at MISO */
    DDRB |= SELECT_BIT | CLOCK_BIT;
    SPCR = _BV(SPE) | _BV(MSTR) | _BV(SPR0); /* 1 MHz, mode 0 */
#endif
}

#endif
