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
static volatile uint16_t ring[256];
static volatile uint8_t ring_head, ring_tail;

#define ESCAPE 0
#define ESCAPE_ENTRIES 4

/* The interrupt's own. */
static uint32_t last_tick;
static uint8_t edges_counted;
static uint16_t unrecorded;
static bool any_tooth;

static inline void guard_speed(uint32_t period, uint8_t lost, uint32_t tick)
{
    /* Edges too close to be told apart: the periods between them together were this long. */
    uint32_t shortest = overspeed_period_ticks;
    if (lost)
        shortest *= (uint16_t)lost + 1;
    if (period >= shortest) {
        overspeed_now = false;
        overspeed_count = 0;
        return;
    }
    overspeed_now = true;
    uint8_t count = overspeed_count + lost + 1;
    if (count <= overspeed_count)
        count = UINT8_MAX;
    overspeed_count = count;
    if (count >= overspeed_periods)
        guard_cut(CAUSE_OVERSPEED, tick);
}

static inline void ring_put(uint8_t index, uint16_t entry)
{
    ring[(uint8_t)(ring_head + index)] = entry;
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
    uint32_t tick = ticks_extend(low);

    /* Timer 0 counts every edge, also those whose time was overwritten before it was read. If it
     * stands still the wire to T0 is missing: then each interrupt is one edge. */
    uint8_t edges = count - edges_counted;
    edges_counted = count;
    uint8_t lost = edges ? edges - 1 : 0;

    uint32_t period = tick - last_tick;
    last_tick = tick;
    if (any_tooth)
        guard_speed(period, lost, tick);

    uint8_t used = ring_head - ring_tail;
    unrecorded += lost;
    if (any_tooth && !unrecorded && period <= UINT16_MAX && period != ESCAPE) {
        if (used < UINT8_MAX) {
            ring_put(0, period);
            ring_head++;
        } else {
            unrecorded = 1;
        }
    } else if (used <= UINT8_MAX - ESCAPE_ENTRIES) {
        ring_put(0, ESCAPE);
        ring_put(1, unrecorded);
        ring_put(2, tick);
        ring_put(3, tick >> 16);
        ring_head += ESCAPE_ENTRIES;
        unrecorded = 0;
        any_tooth = true;
    } else {
        unrecorded++;
    }
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

static bool pickup_0_send(uint32_t now)
{
    uint8_t waiting = ring_head - ring_tail;
    if (!waiting)
        return false;
    uint16_t delta = ring_at(0);
    uint32_t first = delta == ESCAPE ? escaped_tick() : taken_tick + delta;
    /* Signed: a tooth may have come since the time was read. */
    if (waiting <= DELTAS_MAX && (int32_t)(now - first) < WAIT_TICKS)
        return false;

    uint16_t lost = 0;
    uint8_t entries = 1;
    if (delta == ESCAPE) {
        lost = ring_at(1);
        entries = ESCAPE_ENTRIES;
        captures_lost += lost;
    }
    ring_tail += entries;
    waiting -= entries;
    taken_tick = first;
    taken_number += lost + 1UL;
    frame_begin(KIND_TEETH, first);
    frame_u8(0);
    frame_u32(taken_number);
    for (uint8_t n = 0; n < DELTAS_MAX && waiting; n++, waiting--) {
        delta = ring_at(0);
        if (delta == ESCAPE)
            break;
        ring_tail++;
        taken_tick += delta;
        taken_number++;
        frame_u16(delta);
        /* A host's cut must not wait for a long frame. */
        if (n % 16 == 15)
            link_receive();
    }
    frame_end();
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

bool teeth_send(uint32_t now)
{
    if (pickup_0_send(now))
        return true;
#if PICKUPS > 1
    return pickup_1_send(now);
#else
    return false;
#endif
}
