#include "teeth.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "guard.h"
#include "judge.h"
#include "link.h"
#include "pins.h"
#include "ticks.h"

/* Deltas that fit a frame. */
#define DELTAS_MAX 119

/* The specification wants a tooth on its way within 20 ms, and the line may be busy for some. */
#define WAIT_TICKS (int32_t)(10 * TICKS_PER_MS)

static uint32_t overspeed_period_ticks;
static uint16_t overspeed_short_low; /* the longest period that is short, as far as 16 bits go */
static uint8_t overspeed_periods = 1;
volatile bool overspeed_now;
static struct overspeed overspeed;
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
static union tick_halves last_tick;
static uint8_t edges_counted;
static uint16_t unrecorded; /* teeth since the last one in the ring */
static bool in_sequence;    /* the last tooth is in the ring */

/* What is rare is kept out of line: an interrupt whose usual course calls nothing saves fewer
 * registers, and is done sooner. */
#define RARE __attribute__((noinline, cold))

RARE static void long_after_short(uint32_t period)
{
    overspeed_long(&overspeed, period);
    overspeed_now = overspeed.count;
}

static inline void long_period(uint32_t period)
{
    if (overspeed_now)
        long_after_short(period);
}

RARE static void short_periods(uint32_t period, uint8_t periods)
{
    overspeed_now = true;
    if (overspeed_short(&overspeed, period, periods, overspeed_periods))
        guard_cut(CAUSE_OVERSPEED, last_tick.whole);
}

/* A full ring is given half its room before teeth go in again: one at a time, each would need an
 * escape, and a frame. */
static void ring_put_escape(void)
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
    ring[head++] = last_tick.low;
    ring[head++] = last_tick.high;
    ring_head = head;
    unrecorded = 0;
}

/* The first tooth, one after a pause, or one after others that are not in the ring. */
RARE static void tooth_in_no_sequence(uint8_t edges, uint32_t period)
{
    static bool any_tooth;
    /* So many periods together were this long. */
    if (!any_tooth) {
        any_tooth = true;
    } else if (period >= overspeed_period_ticks * edges) {
        long_period(period);
    } else {
        short_periods(period / edges, edges);
    }
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

    /* In halves, and the cut before anything else is stored: both save time to the pin. */
    union tick_halves tick = { .whole = ticks_extend(low) };
    union tick_halves last = last_tick;
    last_tick = tick;
    uint16_t period = tick.low - last.low;
    uint16_t period_high = tick.high - last.high - (tick.low < last.low);
    if (edges > 1 || period_high || period == ESCAPE || !in_sequence) {
        tooth_in_no_sequence(edges ? edges : 1, (uint32_t)period_high << 16 | period);
        return;
    }
    bool is_short = period <= overspeed_short_low;
    if (!is_short)
        long_period(period);
    else if (overspeed.run >= (uint8_t)(overspeed_periods - 1))
        RUN_PORT &= ~RUN_BIT; /* the rest of the judging comes after the tooth */
    if (is_short && cut.in_force && overspeed.run >= overspeed_periods) {
        /* One more beyond the limit, cut already: a drum that fast leaves no time for more. */
        overspeed.last_short_ticks = period;
        is_short = false;
    }
    uint8_t head = ring_head;
    uint8_t next = head + 1;
    if (next != ring_tail) {
        ring[head] = period;
        ring_head = next;
    } else {
        unrecorded = 1;
        in_sequence = false;
    }
    if (is_short)
        short_periods(period, 1);
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

/* Not in the interrupt, which has no time for it: three long periods are slower than the main loop. */
static struct counting counting;

/* Longer than any period that is judged, 4.5 tenths of a second: so long without a tooth, and a drum whose
 * teeth were missed has stopped. */
#define STANDS_TICKS (500 * TICKS_PER_MS)
static uint32_t slowest_ticks;

RARE static void count_period(uint32_t period, uint32_t tick)
{
    if (!counting_period(&counting, period, slowest_ticks))
        return;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        guard_cut(CAUSE_MISCOUNTING, tick);
    }
}

bool teeth_are_missed(uint32_t now)
{
    return counting_is_missing(&counting) && now - taken_tick < STANDS_TICKS;
}

/* Deltas that may still go into the frame being filled. */
static uint8_t deltas_left;
static bool filling;

/* A few at a time: a host's cut, or a late heartbeat, must not wait until a long frame is filled. */
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
        if (!counting_goes_on(&counting, delta))
            count_period(delta, tick);
        frame_u16(delta);
    }
    taken_tick = tick;
    taken_number += i;
    ring_tail = tail;
    deltas_left -= i;
    /* A cut frame that waits goes before the rest of the teeth. */
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

    uint16_t lost = delta == ESCAPE ? ring_at(1) : 0;
    if (lost)
        counting = (struct counting){ 0 };
    else
        count_period(first - taken_tick, first);
    taken_tick = first;
    taken_number++;
    if (delta == ESCAPE) {
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
/* Its time is when the interrupt came to read it, up to 30 us late: good enough for an engine's few
 * teeth a turn. */
#define EVENTS 32

static volatile uint32_t events[EVENTS];
static volatile uint8_t events_head, events_tail;
static volatile uint16_t events_lost; /* after those; none is taken in until the main loop knows */
static uint32_t taken_number_1 = UINT32_MAX;

/* By its number this interrupt goes before the capture of pickup 0, and so before its cut. It lets
 * others in at once, only not itself. */
ISR(INT1_vect, ISR_NAKED)
{
    __asm__ volatile("cbi %0, %1\n\t"
                     "sei\n\t"
                     "jmp __vector_pickup_1" ::"I"(_SFR_IO_ADDR(EIMSK)),
                     "I"(INT1));
}

void __vector_pickup_1(void) __attribute__((signal, used));
void __vector_pickup_1(void)
{
    cli();
    uint32_t tick = ticks_extend(TCNT1);
    sei();
    uint8_t head = events_head;
    uint8_t next = (head + 1) % EVENTS;
    if (next == events_tail || events_lost) {
        events_lost++;
    } else {
        events[head] = tick;
        events_head = next;
    }
    cli();
    EIMSK |= _BV(INT1);
}

static void account_for_lost_events(void)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        taken_number_1 += events_lost;
        captures_lost += events_lost;
        events_lost = 0;
    }
}

static bool pickup_1_send(uint32_t now)
{
    uint8_t tail = events_tail;
    uint8_t waiting = (events_head - tail) % EVENTS;
    if (!waiting) {
        account_for_lost_events();
        return false;
    }
    uint32_t last = events[tail];
    if (waiting < EVENTS / 2 && (int32_t)(now - last) < WAIT_TICKS)
        return false;

    frame_begin(KIND_TEETH, last);
    frame_u8(1);
    frame_u32(++taken_number_1);
    while (tail = (tail + 1) % EVENTS, --waiting) {
        uint32_t tick = events[tail];
        if (tick - last > UINT16_MAX)
            break;
        frame_u16(tick - last);
        last = tick;
        taken_number_1++;
    }
    events_tail = tail;
    frame_end();
    return true;
}
#endif

/* ------------------------------------------------------------------------------------------ */

void teeth_guard(uint32_t period_ticks, uint8_t periods)
{
    uint32_t longest_short = period_ticks ? period_ticks - 1 : 0;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        overspeed_period_ticks = period_ticks;
        overspeed_short_low = longest_short > UINT16_MAX ? UINT16_MAX : longest_short;
        overspeed_periods = periods ? periods : 1;
    }
    slowest_ticks = counting_slowest_ticks(period_ticks, TICK_HZ);
}

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
