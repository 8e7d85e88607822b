/* Time: ticks of 0.5 us since the start, 32 bits. Timer 1 is the low half. */
#ifndef TICKS_H
#define TICKS_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>
#include <util/atomic.h>

#define TICK_HZ 2000000UL
#define TICKS_PER_MS (TICK_HZ / 1000)

/* High half; written by the overflow interrupt only. */
extern volatile uint16_t ticks_high;

/* The compiler makes shorter code of this than of shifts and comparisons. */
union tick_halves {
    struct {
        uint16_t low, high;
    };
    uint32_t whole;
};

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
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        now = ticks_extend(TCNT1);
    }
    return now;
}

/* Something done at a rate. */
struct schedule {
    uint32_t due;
};

/* Whether it is time again. After a late call the next is a full period later: a board that is
 * behind must not try to catch up. */
static inline bool schedule_due(struct schedule *schedule, uint32_t now, uint32_t period)
{
    uint32_t late = now - schedule->due;
    if (late & 0x80000000)
        return false;
    schedule->due = late < period ? schedule->due + period : now + period;
    return true;
}

void ticks_start(void);

#endif
