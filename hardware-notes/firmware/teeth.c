#include "teeth.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "guard.h"
#include "link.h"
#include "ticks.h"

/* Deltas that fit a frame. */
#define DELTAS_MAX 119

/* The specification wants a tooth on its way within 20 ms, and the line may be busy for some. */
#define WAIT_TICKS (int32_t)(10 * TICKS_PER_MS)

uint32_t overspeed_period_ticks;
uint8_t overspeed_periods = 1;
volatile bool overspeed_now;
volatile uint8_t overspeed_count;
uint32_t captures_lost;

/* ---- Pickup 0 ---------------------------------------------------------------------------- */

/* Teeth on their way from the interrupt to the main loop, as ticks from one to the next. What does
 * not fit that, after a pause or a loss, is an escape of four entries: 0, teeth lost before this
 * one, and its tick, low half first. 256 entries, so that the indexes wrap by themselves. */
#define RING_ENTRIES 256
#define ESCAPE 0
#define ESCAPE_ENTRIES 4
static volatile uint16_t ring[RING_ENTRIES];
static volatile uint8_t ring_head, ring_tail;

/* The interrupt's own. */
static uint32_t last_tick;
static uint8_t edges_counted;
static uint16_t unrecorded; /* teeth since the last one in the ring */
static bool in_sequence;    /* the last tooth is in the ring */

/* What is rare is kept out of line: an interrupt that calls nothing else in its usual course
 * saves fewer registers, and is done sooner. */
#define RARE __attribute__((noinline, cold))

RARE static void short_periods(uint8_t periods)
{
    overspeed_now = true;
    uint8_t count = overspeed_count + periods;
    overspeed_count = count < periods ? UINT8_MAX : count;
    if (overspeed_count >= overspeed_periods)
        guard_cut(CAUSE_OVERSPEED, last_tick);
}

/* A full ring is given half its room before teeth go in again: one at a time, each would need an
 * escape, and a frame. */
RARE static void ring_put_escape(void)
{
    uint8_t head = ring_head;
    uint8_t used = head - ring_tail;
    in_sequence = used <= (unrecorded ? RING_ENTRIES / 2 : RING_ENTRIES - 1 - ESCAPE_ENTRIES);
    if (!in_sequence) {
        unrecorded++;
        return;
    }
    ring[head++] = ESCAPE;
    ring[head++] = unrecorded;
    ring[head++] = last_tick;
    ring[head++] = last_tick >> 16;
    ring_head = head;
    unrecorded = 0;
}

/* A tooth after others whose time is not known, or the first. */
RARE static void tooth_after_gap(uint8_t edges, uint32_t period)
{
    static bool any_tooth;
    if (any_tooth) {
        /* So many periods together were this long. */
        if (period < overspeed_period_ticks * edges) {
            short_periods(edges);
        } else {
            overspeed_now = false;
            overspeed_count = 0;
        }
    }
    any_tooth = true;
    unrecorded += edges - 1;
    ring_put_escape();
}

ISR(TIMER1_CAPT_vect)
{
    uint16_t low = ICR1;
    uint8_t count = TCNT0;
    if (TIFR1 & _BV(ICF1)) {
        /* Another edge since this interrupt was taken. If its time has replaced that of the edge
         * this interrupt is for, the next interrupt settles both. */
        if (ICR1 == low)
            return;
        count = TCNT0 - 1;
    }
    /* Timer 0 counts every edge, also those whose time was overwritten before it was read. If it
     * stands still the wire to T0 is missing: then each interrupt is one edge. */
    uint8_t edges = count - edges_counted;
    edges_counted = count;

    uint32_t tick = ticks_extend(low);
    uint32_t period = tick - last_tick;
    last_tick = tick;
    if (edges > 1 || !in_sequence) {
        tooth_after_gap(edges ? edges : 1, period);
        return;
    }
    if (period < overspeed_period_ticks) {
        short_periods(1);
    } else {
        overspeed_now = false;
        overspeed_count = 0;
    }
    uint8_t head = ring_head;
    if (period > UINT16_MAX || period == ESCAPE || (uint8_t)(head + 1) == ring_tail) {
        ring_put_escape();
        return;
    }
    ring[head] = period;
    ring_head = head + 1;
}

/* The last tooth taken from the ring. */
static uint32_t taken_tick;
static uint32_t taken_number = UINT32_MAX;

static inline uint16_t ring_at(uint8_t index)
{
    return ring[(uint8_t)(ring_tail + index)];
}

static uint32_t escaped_tick(void)
{
    return (uint32_t)ring_at(3) << 16 | ring_at(2);
}

/* Deltas that may still go into the frame being filled. */
static uint8_t deltas_left;
static bool filling;

/* A few at a time: a host's cut, or a late heartbeat, must not wait for a long frame. */
#define DELTAS_AT_ONCE 16

static void fill(void)
{
    uint8_t tail = ring_tail;
    uint8_t n = ring_head - tail;
    if (n > DELTAS_AT_ONCE)
        n = DELTAS_AT_ONCE;
    if (n > deltas_left)
        n = deltas_left;
    uint32_t tick = taken_tick;
    uint8_t i = 0;
    for (; i < n && ring[tail] != ESCAPE; i++) {
        uint16_t delta = ring[tail++];
        tick += delta;
        frame_u16(delta);
    }
    taken_tick = tick;
    taken_number += i;
    ring_tail = tail;
    deltas_left -= i;
    if (i < DELTAS_AT_ONCE || !deltas_left || cut.unsent) {
        filling = false;
        frame_end();
    }
}

static bool pickup_0_begin(uint32_t now)
{
    uint8_t waiting = ring_head - ring_tail;
    if (!waiting)
        return false;
    uint16_t delta = ring_at(0);
    uint32_t first = delta == ESCAPE ? escaped_tick() : taken_tick + delta;
    /* Signed: a tooth may have come since the time was read. */
    if (waiting <= DELTAS_MAX && (int32_t)(now - first) < WAIT_TICKS)
        return false;

    taken_tick = first;
    taken_number++;
    if (delta == ESCAPE) {
        uint16_t lost = ring_at(1);
        captures_lost += lost;
        taken_number += lost;
        ring_tail += ESCAPE_ENTRIES;
    } else {
        ring_tail++;
    }
    frame_begin(KIND_TEETH, first);
    frame_u8(0);
    frame_u32(taken_number);
    deltas_left = DELTAS_MAX;
    filling = true;
    return true;
}

/* ---- Pickup 1 ---------------------------------------------------------------------------- */

#if PICKUPS > 1
/* Its time is when the interrupt came to read it, some microseconds late: good enough for an
 * engine's few teeth a turn. */
#define EVENTS 32

static volatile struct {
    uint32_t tick;
    uint8_t lost; /* edges before this one that found no room */
} events[EVENTS];
static volatile uint8_t events_head, events_tail;
static uint8_t events_lost;
static uint32_t taken_number_1 = UINT32_MAX;

ISR(INT1_vect)
{
    uint16_t low = TCNT1;
    uint8_t next = (events_head + 1) % EVENTS;
    if (next == events_tail) {
        if (events_lost < UINT8_MAX)
            events_lost++;
        return;
    }
    events[events_head].tick = ticks_extend(low);
    events[events_head].lost = events_lost;
    events_lost = 0;
    events_head = next;
}

static bool pickup_1_send(uint32_t now)
{
    uint8_t waiting = (events_head - events_tail) % EVENTS;
    if (!waiting)
        return false;
    uint32_t last = events[events_tail].tick;
    if (waiting < EVENTS / 2 && (int32_t)(now - last) < WAIT_TICKS)
        return false;

    frame_begin(KIND_TEETH, last);
    frame_u8(1);
    for (uint8_t n = 0; n < waiting; n++) {
        uint8_t lost = events[events_tail].lost;
        uint32_t tick = events[events_tail].tick;
        if (n && (lost || tick - last > UINT16_MAX))
            break;
        captures_lost += lost;
        taken_number_1 += lost + 1UL;
        if (n == 0)
            frame_u32(taken_number_1);
        else
            frame_u16(tick - last);
        last = tick;
        events_tail = (events_tail + 1) % EVENTS;
    }
    frame_end();
    return true;
}
#endif

/* ------------------------------------------------------------------------------------------ */

void teeth_start(void)
{
    TCCR0A = 0;
    TCCR0B = _BV(CS02) | _BV(CS01) | _BV(CS00); /* count rising edges at T0 */
#if PICKUPS > 1
    EICRA |= _BV(ISC11) | _BV(ISC10); /* rising */
    EIMSK |= _BV(INT1);
#endif
}

bool teeth_begin(uint32_t now)
{
    if (pickup_0_begin(now))
        return true;
#if PICKUPS > 1
    return pickup_1_send(now);
#else
    return false;
#endif
}

bool teeth_go_on(void)
{
    if (!filling)
        return false;
    fill();
    return true;
}
