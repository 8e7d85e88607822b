/* Pickups: tooth times in interrupts, teeth frames from the main loop. */
#ifndef TEETH_H
#define TEETH_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

/* Cut after so many periods of pickup 0 in a row shorter than this (judge.h). 0 ticks: no limit; 0 periods
 * count as 1. */
void teeth_guard(uint32_t period_ticks, uint8_t periods);

/* Whether the last period of pickup 0 was shorter than allowed. */
extern volatile bool overspeed_now;

/* The same, or a gap after such. */
bool overspeed_goes_on(void);

/* Whether teeth of pickup 0 are being missed now. */
bool teeth_are_missed(uint32_t now);

/* Teeth without a recorded time since the start. */
extern uint32_t captures_lost;

/* Tick of the latest tooth of pickup 0, and how many there were, which wraps. */
void teeth_latest(uint32_t *tick, uint8_t *teeth);

/* The chip's: begins to count. */
void capture_start(void);

/* Begins a teeth frame if one is full or has waited long enough; false if not. */
bool teeth_begin(uint32_t now);

/* Puts more teeth into a frame that was begun; false if there is none. */
bool teeth_go_on(void);

#endif
