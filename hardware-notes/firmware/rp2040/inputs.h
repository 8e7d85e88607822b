/* Pins and converters of the sensors. Nothing in here waits, but for what it says. */
#ifndef INPUTS_H
#define INPUTS_H

#include "chip.h"
#include "config.h"

/* ---- Load-cell converter ------------------------------------------------------------------- */

static inline bool cell_data(void)
{
    return REGISTER(SIO_GPIO_IN) >> CELL_DATA_PIN & 1;
}

static inline void cell_clock(bool high)
{
    REGISTER(high ? SIO_GPIO_OUT_SET : SIO_GPIO_OUT_CLR) = 1u << CELL_CLOCK_PIN;
}

/* Waits: eight turns of three cycles. */
static inline void half_a_microsecond(void)
{
    uint32_t turns = 8;
    __asm__ volatile("1: sub %0, #1\n\tbne 1b" : "+l"(turns)::"cc");
}

/* ---- Analog converter ---------------------------------------------------------------------- */

#define ANALOG_OWN_TEMPERATURE 4

static inline void analog_start(uint8_t channel)
{
    REGISTER(ADC_CS) = ADC_CS_EN | ADC_CS_TS_EN | ADC_CS_START_ONE | (uint32_t)channel << 12;
}

static inline bool analog_is_busy(void)
{
    return !(REGISTER(ADC_CS) & ADC_CS_READY);
}

static inline uint16_t analog_result(void)
{
    return (uint16_t)REGISTER(ADC_RESULT);
}

/* ---- Thermocouple converter ---------------------------------------------------------------- */

static inline void thermocouple_select(bool on)
{
    REGISTER(on ? SIO_GPIO_OUT_CLR : SIO_GPIO_OUT_SET) = 1u << THERMOCOUPLE_SELECT_PIN;
}

static inline void thermocouple_next_byte(void)
{
    REGISTER(SPI0_DR) = 0;
}

/* Whether the byte has come. */
static inline bool thermocouple_byte(uint8_t *byte)
{
    if (!(REGISTER(SPI0_SR) & SPI_SR_RNE))
        return false;
    *byte = (uint8_t)REGISTER(SPI0_DR);
    return true;
}

/* -------------------------------------------------------------------------------------------- */

static inline void inputs_start(void)
{
    REGISTER(ADC_CS) = ADC_CS_EN | ADC_CS_TS_EN;
#if TEMPERATURE_CHANNELS
    REGISTER(SPI0_CPSR) = 48; /* 1 MHz */
    REGISTER(SPI0_CR0) = 7;   /* 8 bits, mode 0 */
    REGISTER(SPI0_CR1) = 2;   /* on */
#endif
}

#endif
