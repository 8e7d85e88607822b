#include "teeth.h"

#include "guard.h"
#include "judge.h"
#include "link.h"
#include "tooth.h"

/* Deltas that fit a frame. */
#define DELTAS_MAX 119

/* The specification wants a tooth on its way within 20 ms, and the line may be busy for some. */
#define WAIT_TICKS (int32_t)(10 * TICKS_PER_MS)

uint32_t overspeed_period_ticks;
uint16_t overspeed_short_low;
uint8_t overspeed_periods = 1;
volatile bool overspeed_now;
uint8_t overspeed_run;
uint32_t captures_lost;

/* ---- Pickup 0 ---------------------------------------------------------------------------- */

volatile uint16_t ring[RING_ENTRIES];
volatile uint8_t ring_head, ring_tail;
union tick_halves last_tick;
uint16_t unrecorded;
bool in_sequence;
uint8_t teeth_seen;

/* What is rare is kept out of line: an interrupt whose usual course calls nothing saves fewer
 * registers, and is done sooner. */
#define RARE __attribute__((noinline, cold))

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

RARE void tooth_in_no_sequence(uint8_t edges, uint32_t period)
{
    static bool any_tooth;
    /* So many periods together were this long. */
    if (!any_tooth || period >= overspeed_period_ticks * edges)
        long_period();
    else if (short_periods(edges))
        guard_cut(CAUSE_OVERSPEED, last_tick.whole);
    any_tooth = true;
    teeth_seen += edges;
    unrecorded += edges - 1;
    ring_put_escape();
}

RARE void cut_for_overspeed(void)
{
    guard_cut(CAUSE_OVERSPEED, last_tick.whole);
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

/* Not in the interrupt, which has no time for it: three long periods are slower than the main loop, and a
 * wheel with teeth gone is judged some milliseconds later. */
static struct counting counting;
static struct overspeed overspeed;

/* What needs no judging, so that most teeth pass with one comparison. */
static struct usual usual;

static void overspeed_period(uint32_t period, uint32_t tick)
{
    if (period >= overspeed_period_ticks) {
        overspeed_long(&overspeed, period);
    } else if (overspeed_short(&overspeed, period, 1, overspeed_periods)) {
        ATOMIC {
            guard_cut(CAUSE_OVERSPEED, tick);
        }
    }
}

/* Longer than any period that is judged, 4.5 tenths of a second: so long without a tooth, and a drum whose
 * teeth were missed has stopped. */
#define STANDS_TICKS (500 * TICKS_PER_MS)
static uint32_t slowest_ticks;

static void count_period(uint32_t period, uint32_t tick)
{
    if (!counting_period(&counting, period, slowest_ticks))
        return;
    ATOMIC {
        guard_cut(CAUSE_MISCOUNTING, tick);
    }
}

static RARE void judge_period(uint32_t period, uint32_t tick)
{
    count_period(period, tick);
    usual = counting_usual(&counting);
    /* Once it is cut there is no more overspeed to find. */
    if (cut.in_force) {
        overspeed = (struct overspeed){ 0 };
        return;
    }
    overspeed_period(period, tick);
    uint16_t short_ticks = usual.low <= overspeed_short_low ? overspeed_short_low + 1 - usual.low : 0;
    if (overspeed.count || short_ticks >= usual.span) {
        usual.span = 0;
    } else {
        usual.low += short_ticks;
        usual.span -= short_ticks;
    }
}

void teeth_latest(uint32_t *tick, uint8_t *teeth)
{
    ATOMIC {
        *tick = last_tick.whole;
        *teeth = teeth_seen;
    }
}

bool overspeed_goes_on(void)
{
    return overspeed_now || overspeed.count;
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
        if ((uint16_t)(delta - usual.low) >= usual.span)
            judge_period(delta, tick);
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
    if (lost) {
        counting = (struct counting){ 0 };
        overspeed = (struct overspeed){ 0 };
        usual = (struct usual){ 0 };
    } else {
        judge_period(first - taken_tick, first);
    }
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
volatile uint32_t events[EVENTS];
volatile events_index events_head, events_tail;
volatile uint16_t events_lost;
static uint32_t taken_number_1 = UINT32_MAX;

static void account_for_lost_events(void)
{
    ATOMIC {
        taken_number_1 += events_lost;
        captures_lost += events_lost;
        events_lost = 0;
    }
}

static bool pickup_1_send(uint32_t now)
{
    events_index tail = events_tail;
    events_index waiting = (events_index)(events_head - tail) % EVENTS;
    if (!waiting) {
        account_for_lost_events();
        return false;
    }
    uint32_t last = events[tail];
    if (waiting < EVENTS / 2 && waiting <= DELTAS_MAX && (int32_t)(now - last) < WAIT_TICKS)
        return false;
    if (waiting > DELTAS_MAX + 1)
        waiting = DELTAS_MAX + 1;

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
    ATOMIC {
        overspeed_period_ticks = period_ticks;
        overspeed_short_low = longest_short > UINT16_MAX ? UINT16_MAX : longest_short;
        overspeed_periods = periods ? periods : 1;
    }
    slowest_ticks = counting_slowest_ticks(period_ticks, TICK_HZ);
    usual = (struct usual){ 0 };
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
