#include "ticks.h"

uint32_t ticks_origin;

/* Tick 0 of the state machines is when capture_start() begins; it sets the origin by that. Before, ticks run
 * from the timer's own start. */
void ticks_start(void)
{
    ticks_origin = 0;
}
