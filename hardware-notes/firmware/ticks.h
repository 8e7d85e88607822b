/* Time: ticks since the start, 32 bits. Their rate is the chip's. */
#ifndef TICKS_H
#define TICKS_H

#include "chip.h"

#define TICKS_PER_MS (TICK_HZ / 1000)

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
