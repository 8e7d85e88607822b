/* What a chip's capture calls for each tooth, in its interrupt. Everything here is inline: the cut must
 * not wait for it. Nothing else calls it. */
#ifndef TOOTH_H
#define TOOTH_H

#include "guard.h"
#include "halves.h"
#include "teeth.h"

/* ---- Pickup 0 ---------------------------------------------------------------------------- */

/* Teeth on their way from the interrupt to the main loop, as ticks from one to the next. What does
 * not fit that, after a pause or a loss, is an escape of four entries: 0, teeth lost before this
 * one, and its tick, low half first. 256 entries, so that the indexes wrap by themselves. */
#define RING_ENTRIES 256
#define ESCAPE 0
#define ESCAPE_ENTRIES 4
extern volatile uint16_t ring[RING_ENTRIES];
extern volatile uint8_t ring_head, ring_tail;

extern uint32_t overspeed_period_ticks;
extern uint16_t overspeed_short_low; /* the longest period that is short, as far as 16 bits go */
extern uint8_t overspeed_periods;
extern uint8_t overspeed_run; /* short periods in a row */

/* The interrupt's own. */
extern union tick_halves last_tick;
extern uint16_t unrecorded; /* teeth since the last one in the ring */
extern bool in_sequence;    /* the last tooth is in the ring */
extern uint8_t teeth_seen;  /* wraps */

/* The first tooth, one after a pause, or one after others that are not in the ring. */
void tooth_in_no_sequence(uint8_t edges, uint32_t period);
void cut_for_overspeed(void);

static inline void long_period(void)
{
    overspeed_now = false;
    overspeed_run = 0;
}

/* Whether that makes enough of them in a row. */
static inline bool short_periods(uint8_t periods)
{
    uint8_t run = overspeed_run + periods;
    if (run < periods)
        run = UINT8_MAX;
    overspeed_run = run;
    overspeed_now = true;
    return run >= overspeed_periods;
}

/* The latest of so many teeth since the last call; more than one if the times of others were lost. */
static inline void tooth_of_pickup_0(uint8_t edges, union tick_halves tick)
{
    /* In halves, and the cut before anything else is stored: both save time to the pin. */
    union tick_halves last = last_tick;
    last_tick = tick;
    uint16_t period = tick.low - last.low;
    uint16_t period_high = tick.high - last.high - (tick.low < last.low);
    if (edges > 1 || period_high || period == ESCAPE || !in_sequence) {
        tooth_in_no_sequence(edges, (uint32_t)period_high << 16 | period);
        return;
    }
    bool cutting = false;
    if (period > overspeed_short_low) {
        long_period();
    } else if (short_periods(1)) {
        run_pin_low();
        cutting = true;
    }
#ifdef CONTROL
    teeth_seen++;
#endif
    uint8_t head = ring_head;
    uint8_t next = head + 1;
    if (next != ring_tail) {
        ring[head] = period;
        ring_head = next;
    } else {
        unrecorded = 1;
        in_sequence = false;
    }
    if (cutting)
        cut_for_overspeed();
}

/* ---- Pickup 1 ---------------------------------------------------------------------------- */

#if PICKUPS > 1
extern volatile uint32_t events[EVENTS];
extern volatile events_index events_head, events_tail;
extern volatile uint16_t events_lost; /* after those; none is taken in until the main loop knows */

/* A tooth, and so many lost before it. */
static inline void tooth_of_pickup_1(uint8_t lost, uint32_t tick)
{
    events_index head = events_head;
    events_index next = (head + 1) % EVENTS;
    if (next == events_tail || events_lost || lost) {
        events_lost += 1 + lost;
    } else {
        events[head] = tick;
        events_head = next;
    }
}
#endif

#endif
