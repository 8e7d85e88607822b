/* The brake's driver: a pin that is switched at a steady rate, one that turns the supply round, and one that tells whether
 * there is any. */
#ifndef DRIVER_H
#define DRIVER_H

#include "chip.h"
#include "config.h"

/* The slice of GP10, its first output. */
#define SLICE 5
_Static_assert(BRAKE_PIN == 2 * SLICE, "the pin of this slice");

/* The least divisor that fits 16 bits. */
#define DIVISOR (CLOCK_HZ / BRAKE_OUTPUT_HZ / 65536 + 1)
#define PERIOD_COUNTS (CLOCK_HZ / DIVISOR / BRAKE_OUTPUT_HZ)
_Static_assert(DIVISOR < 256 && PERIOD_COUNTS > 100, "BRAKE_OUTPUT_HZ: 3 to 480,000");
#define COUNTS_PER_MS (CLOCK_HZ / DIVISOR / 1000)

/* Output and the most that there may be, times 65,536, 1 being what full load needs. */
static inline void driver_put(int32_t output, int32_t output_max)
{
#ifdef BRAKE_SERVO
    /* 1 to 2 ms. */
    (void)output_max;
    int32_t place = output < 0 ? 0 : output > 65536 ? 65536 : output;
    uint32_t high = COUNTS_PER_MS + (uint32_t)((int64_t)place * COUNTS_PER_MS >> 16);
#else
    /* The supply is what the greatest output needs; below 0 it is turned round. */
    bool back = output < 0;
    uint32_t high = (uint32_t)((int64_t)(back ? -output : output) * PERIOD_COUNTS / output_max);
    REGISTER(back ? SIO_GPIO_OUT_SET : SIO_GPIO_OUT_CLR) = 1u << BRAKE_BACK_PIN;
#endif
    REGISTER(PWM_CC(SLICE)) = high > PERIOD_COUNTS ? PERIOD_COUNTS : high;
}

static inline void driver_start(void)
{
    REGISTER(PWM_DIV(SLICE)) = DIVISOR << 4;
    REGISTER(PWM_TOP(SLICE)) = PERIOD_COUNTS - 1;
    driver_put(0, 65536);
    REGISTER(PWM_CSR(SLICE)) = PWM_CSR_EN;
    REGISTER(IO_CTRL(BRAKE_PIN)) = FUNCTION_PWM;
}

/* A switch in the water's or the oil's way, or the driver's own "ready": low, and so is an open wire. */
static inline bool driver_has_no_supply(void)
{
#if BRAKE_SUPPLY_SWITCH
    return !(REGISTER(SIO_GPIO_IN) >> BRAKE_SUPPLY_PIN & 1);
#else
    return false;
#endif
}

#endif
