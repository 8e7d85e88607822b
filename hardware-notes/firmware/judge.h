/* What tooth periods say: protocol/SPEC.md, section 6, "Overspeed" and "Miscounting". Nothing in here
 * knows the chip, so that it can be tested on any computer over every wheel. */
#ifndef JUDGE_H
#define JUDGE_H

#include <stdbool.h>
#include <stdint.h>

/* ---- Overspeed: short periods in a row ---------------------------------------------------- */

/* Two teeth gone make no more long periods in a row. */
#define GAPS_IN_A_ROW 2

struct overspeed {
    uint8_t run;   /* short periods in a row */
    uint8_t count; /* alike ones, a gap between them or not */
    uint8_t gaps;  /* since the last of them */
    uint32_t last_short_ticks;
};

/* After a long period: 1.5 to 3.5 of the last short one is the gap of one or two teeth that are gone,
 * and says nothing; anything else starts the count again. */
static inline void overspeed_long(struct overspeed *state, uint32_t period_ticks)
{
    uint32_t half = state->last_short_ticks / 2;
    state->run = 0;
    if (state->count && state->gaps < GAPS_IN_A_ROW && period_ticks >= 3 * half && period_ticks <= 7 * half)
        state->gaps++;
    else
        state->count = 0;
}

static inline uint8_t saturating_sum(uint8_t a, uint8_t b)
{
    uint8_t sum = a + b;
    return sum < b ? UINT8_MAX : sum;
}

/* After so many short periods together, of this mean; whether that makes enough of them. */
static inline bool overspeed_short(struct overspeed *state, uint32_t period_ticks, uint8_t periods, uint8_t enough)
{
    state->run = saturating_sum(state->run, periods);
    if (state->run >= enough) {
        state->count = state->run;
    } else {
        /* Teeth of one wheel are alike; the two parts of a period with a false edge in it seldom are. */
        uint32_t last = state->last_short_ticks;
        bool alike = period_ticks + period_ticks / 2 > last && last + last / 2 > period_ticks;
        state->count = saturating_sum(alike ? state->count : 0, periods);
    }
    state->gaps = 0;
    state->last_short_ticks = period_ticks;
    return state->count >= enough;
}

/* ---- Miscounting: a period that jumps by a whole factor, and stays there ------------------- */

#define EVEN_BEFORE 4
#define LONG_AFTER 3

struct counting {
    uint32_t even_ticks;  /* the latest of some even periods */
    uint8_t even;         /* how many of them, EVEN_BEFORE at most */
    uint32_t long_ticks;
    uint8_t longs;
};

/* Periods that say nothing new: within an eighth of the even ones. From `low`, so many ticks on; none while
 * anything else is under way. */
struct usual {
    uint16_t low;
    uint16_t span;
};

static inline struct usual counting_usual(const struct counting *state)
{
    uint32_t eighth = state->even_ticks / 8;
    if (state->even < EVEN_BEFORE || state->longs || state->even_ticks > UINT16_MAX - eighth)
        return (struct usual){ 0 };
    return (struct usual){ .low = (uint16_t)(state->even_ticks - eighth), .span = (uint16_t)(2 * eighth) };
}

/* Longest period before a jump. A drum that turns slower than an eighth of its limit, or ten teeth a
 * second, may be stopped and turned by hand. */
static inline uint32_t counting_slowest_ticks(uint32_t tooth_period_ticks_min, uint32_t tick_hz)
{
    uint32_t tenth = tick_hz / 10;
    return tooth_period_ticks_min < tenth / 8 ? tooth_period_ticks_min * 8 : tooth_period_ticks_min ? tenth : 0;
}

/* After a period of pickup 0; whether teeth are being missed. */
static inline bool counting_period(struct counting *state, uint32_t period_ticks, uint32_t slowest_ticks)
{
    uint32_t even = state->even_ticks, half = even / 2;
    if (period_ticks < even + half && period_ticks + period_ticks / 2 > even) {
        if (state->even < EVEN_BEFORE)
            state->even++;
        state->even_ticks = period_ticks;
        state->longs = 0;
        return false;
    }
    if (state->even < EVEN_BEFORE || even > slowest_ticks || period_ticks < even || period_ticks > 9 * half) {
        *state = (struct counting){ .even_ticks = period_ticks, .even = 1 };
        return false;
    }
    /* A drum that is braked so hard goes on slowing; one whose teeth are missed does not. */
    uint32_t half_of_it = state->long_ticks / 2;
    bool same = period_ticks >= state->long_ticks - half_of_it && period_ticks <= state->long_ticks + half_of_it;
    state->longs = !same ? 1 : state->longs < LONG_AFTER ? state->longs + 1 : LONG_AFTER;
    state->long_ticks = period_ticks;
    return state->longs >= LONG_AFTER;
}

/* Whether teeth were being missed at the last period. */
static inline bool counting_is_missing(const struct counting *state)
{
    return state->longs >= LONG_AFTER;
}

#endif
