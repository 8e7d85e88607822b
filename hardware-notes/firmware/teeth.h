/* Pickups: tooth times in interrupts, teeth frames from the main loop. */
#ifndef TEETH_H
#define TEETH_H

#include <stdbool.h>
#include <stdint.h>

/* What the capture interrupt guards; 0: no limit. Change them with interrupts off. */
extern uint32_t overspeed_period_ticks;
extern uint8_t overspeed_periods; /* successive shorter periods that cut, at least 1 */

/* Whether the last period of pickup 0 was shorter than allowed. */
extern volatile bool overspeed_now;

/* Short periods so far. */
extern volatile uint8_t overspeed_count;

/* Teeth without a recorded time since the start. */
extern uint32_t captures_lost;

void teeth_start(void);

/* Begins a teeth frame if one is full or has waited long enough; false if not. */
bool teeth_begin(uint32_t now);

/* Puts more teeth into a frame that was begun; false if there is none. */
bool teeth_go_on(void);

#endif
