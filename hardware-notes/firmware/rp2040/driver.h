/* The brake's driver: a pin that is switched at a steady rate, one that turns the supply round, and one that tells whether
 * there is any. Of a stepper: steps, direction, and a switch at its closed end. */
#ifndef DRIVER_H
#define DRIVER_H

#include <stdbool.h>

#include "chip.h"
#include "config.h"
#include "control.h"

/* A switch in the water's or the oil's way, or the driver's own "ready": low, and so is an open wire. */
static inline bool driver_has_supply(void)
{
#if BRAKE_SUPPLY_SWITCH
    return REGISTER(SIO_GPIO_IN) >> BRAKE_SUPPLY_PIN & 1;
#else
    return true;
#endif
}

#ifdef BRAKE_STEPPER

/* Steps from the closed end; how many more there may be to it while that is looked for, 0: it was found. */
static int32_t stepper_place, stepper_to_end;
static uint8_t stepper_wait;
static bool stepper_opens, stepper_is_high, stepper_was_high;

_Static_assert(BRAKE_STEPS >= 20 && BRAKE_STEPS <= 20000, "BRAKE_STEPS: 20 to 20,000");
_Static_assert(BRAKE_STEPS_HZ >= 20 && BRAKE_STEPS_HZ <= CONTROL_HZ && CONTROL_HZ / BRAKE_STEPS_HZ < 256,
               "BRAKE_STEPS_HZ: 20 to CONTROL_HZ, one step a turn of the loop");

/* The whole way and a quarter: from wherever it is, against its stop, unless a switch says before that it is there. */
static inline void stepper_look_for_end(void)
{
    stepper_to_end = BRAKE_STEPS + BRAKE_STEPS / 4;
}

static inline bool stepper_is_at_end(void)
{
#if BRAKE_END_SWITCH
    return !(REGISTER(SIO_GPIO_IN) >> BRAKE_END_PIN & 1);
#else
    return false;
#endif
}

/* Once a turn of the loop, before its arithmetic: a step that was begun in the last turn ends, so that a pulse and the time
 * after it, in which the loop reckons, last longer than any driver asks for. */
static inline void driver_turn(void)
{
    stepper_was_high = stepper_is_high;
    stepper_is_high = false;
    REGISTER(SIO_GPIO_OUT_CLR) = 1u << BRAKE_PIN;
}

static inline void driver_put(int32_t output, int32_t output_max)
{
    (void)output_max;
    /* A motor without its supply is moved by whatever pushes the valve. */
    if (!driver_has_supply())
        stepper_look_for_end();
    if (stepper_is_at_end() && (stepper_to_end || output <= 0))
        stepper_place = stepper_to_end = 0;
    if (stepper_wait < CONTROL_HZ / BRAKE_STEPS_HZ && ++stepper_wait < CONTROL_HZ / BRAKE_STEPS_HZ)
        return;
    /* The end is looked for without a loop that reckons, and so at half the rate. */
    if (stepper_to_end && stepper_was_high)
        return;
    int32_t wanted = (int32_t)((int64_t)output * BRAKE_STEPS >> 16);
    wanted = wanted < 0 ? 0 : wanted > BRAKE_STEPS ? BRAKE_STEPS : wanted;
    int32_t away = stepper_to_end ? -1 : wanted - stepper_place;
    /* A single step to and fro is noise of the loop; the end is reached all the same. */
    if (away == 0 || (away * away == 1 && wanted && !stepper_to_end))
        return;
    if (stepper_opens != (away > 0)) {
        /* A driver wants to know it before the step: that comes in the next turn. */
        stepper_opens = away > 0;
        REGISTER(stepper_opens ? SIO_GPIO_OUT_SET : SIO_GPIO_OUT_CLR) = 1u << BRAKE_BACK_PIN;
        return;
    }
    stepper_wait = 0;
    stepper_is_high = true;
    REGISTER(SIO_GPIO_OUT_SET) = 1u << BRAKE_PIN;
    if (!stepper_to_end)
        stepper_place += away > 0 ? 1 : -1;
#if BRAKE_END_SWITCH
    /* A switch that was passed over is broken or not there: the end is not known, and is looked for on. */
    else if (stepper_to_end > 1)
        stepper_to_end--;
#else
    else if (--stepper_to_end == 0)
        stepper_place = 0;
#endif
}

static inline void driver_start(void)
{
    stepper_look_for_end();
}

/* Whether an output is where it is thought to be. */
static inline bool driver_is_ready(void)
{
    return !stepper_to_end;
}

/* No supply, or the valve is at its closed end by the switch while it should be open: steps were lost. */
static inline bool driver_has_no_supply(void)
{
    return !driver_has_supply() || (stepper_is_at_end() && stepper_place > BRAKE_STEPS / 32);
}

#else

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

static inline void driver_turn(void)
{
}

static inline bool driver_is_ready(void)
{
    return true;
}

static inline bool driver_has_no_supply(void)
{
    return !driver_has_supply();
}

#endif

#endif
