#include "guard.h"

#include "teeth.h"

volatile struct cut cut;
struct limits limits;

static struct ceiling ceiling;
static uint32_t heartbeat_tick;
static bool heartbeat_late;
static bool hot[2];
static uint32_t temperature_tick[2];

/* Longest time between samples of a temperature with a limit. */
#define TEMPERATURE_TIMEOUT_TICKS (500 * TICKS_PER_MS)
static bool self_test_failed;

bool guard_is_shorter(uint16_t timeout_ms, uint16_t than_ms)
{
    return timeout_ms != 0 && (than_ms == 0 || timeout_ms < than_ms);
}

__attribute__((noinline, cold)) void guard_latch(enum cause cause, uint32_t tick)
{
    if (cut.in_force)
        return;
    cut.in_force = true;
    cut.unsent = true;
    cut.cause = cause;
    cut.tick = tick;
    uint16_t id = cut.id + 1;
    cut.id = id ? id : 1;
}

static void apply(const struct limits *wanted)
{
    struct limits next = { 0 };
    next.tooth_period_ticks = wanted->tooth_period_ticks > ceiling.tooth_period_ticks
                                  ? wanted->tooth_period_ticks
                                  : ceiling.tooth_period_ticks;
    next.short_periods = wanted->short_periods < ceiling.short_periods ? wanted->short_periods
                                                                       : ceiling.short_periods;
    next.heartbeat_timeout_ms =
        guard_is_shorter(wanted->heartbeat_timeout_ms, ceiling.heartbeat_timeout_ms)
            ? wanted->heartbeat_timeout_ms
            : ceiling.heartbeat_timeout_ms;

#if TEMPERATURE_CHANNELS
    bool named[2] = { false, false };
    for (uint8_t i = 0; i < wanted->temperatures; i++) {
        struct temperature_limit limit = wanted->temperature[i];
        if (limit.channel >= TEMPERATURE_CHANNELS)
            continue; /* not ours: the host sees it missing */
        int32_t highest = ceiling.temperature_counts[limit.channel];
        if (limit.counts_max > highest)
            limit.counts_max = highest;
        named[limit.channel] = true;
        next.temperature[next.temperatures++] = limit;
    }
    for (uint8_t channel = 0; channel < TEMPERATURE_CHANNELS; channel++) {
        int32_t highest = ceiling.temperature_counts[channel];
        if (highest == INT32_MAX || named[channel] || next.temperatures == TEMPERATURE_LIMITS_MAX)
            continue;
        next.temperature[next.temperatures].channel = channel;
        next.temperature[next.temperatures++].counts_max = highest;
    }
#endif

    limits = next;
    teeth_guard(next.tooth_period_ticks, next.short_periods);
}

void guard_start(enum cause cause, const struct ceiling *highest, uint32_t now)
{
    static const struct limits none = { .short_periods = UINT8_MAX };
    ceiling = *highest;
    self_test_failed = cause == CAUSE_SELF_TEST;
    heartbeat_tick = now;
    temperature_tick[0] = temperature_tick[1] = now;
    apply(&none);
    if (!limits.tooth_period_ticks)
        limits.short_periods = 0; /* nothing to count: shown as the specification has it */
    if (cause == CAUSE_NONE) {
        run_pin_high();
        return;
    }
    cut.in_force = true;
    cut.cause = cause;
    cut.id = 1;
    cut.tick = now;
}

static bool is_above(uint8_t channel, int32_t counts)
{
    bool above = counts > ceiling.temperature_counts[channel];
    for (uint8_t i = 0; i < limits.temperatures; i++) {
        const struct temperature_limit *limit = &limits.temperature[i];
        above |= limit->channel == channel && counts > limit->counts_max;
    }
    return above;
}

/* A channel whose samples stop counts as one that cannot be read. */
static void watch_temperatures(uint32_t now)
{
#if TEMPERATURE_CHANNELS
    for (uint8_t channel = 0; channel < TEMPERATURE_CHANNELS; channel++)
        if (now - temperature_tick[channel] > TEMPERATURE_TIMEOUT_TICKS)
            guard_temperature(channel, INT32_MAX, now);
#else
    (void)now;
#endif
}

void guard_watch(void)
{
    uint32_t now = ticks_now();
    watch_temperatures(now);
    uint32_t timeout = limits.heartbeat_timeout_ms * TICKS_PER_MS;
    if (!timeout || now - heartbeat_tick <= timeout)
        return;
    /* Remembered, since the age wraps after half an hour. */
    heartbeat_late = true;
    ATOMIC {
        guard_cut(CAUSE_HEARTBEAT, now);
    }
}

void guard_heartbeat(uint32_t now)
{
    heartbeat_tick = now;
    heartbeat_late = false;
}

void guard_limits(const struct limits *wanted, uint32_t now)
{
    bool was_guarded = limits.heartbeat_timeout_ms != 0;
    apply(wanted);
    if (!was_guarded)
        guard_heartbeat(now);
}

void guard_host_cut(uint32_t now)
{
    ATOMIC {
        guard_cut(CAUSE_HOST, now);
    }
}

void guard_release(uint16_t cut_id)
{
    bool silent = limits.heartbeat_timeout_ms && heartbeat_late;
    if (self_test_failed || silent || guard_is_hot() || teeth_are_missed(ticks_now()))
        return;
    ATOMIC {
        if (cut.in_force && cut.id == cut_id && !overspeed_goes_on()) {
            cut.in_force = false;
            run_pin_high();
        }
    }
}

bool guard_is_hot(void)
{
    return hot[0] || hot[1];
}

void guard_temperature(uint8_t channel, int32_t counts, uint32_t now)
{
    temperature_tick[channel] = now;
    hot[channel] = is_above(channel, counts);
    if (!hot[channel])
        return;
    ATOMIC {
        guard_cut(CAUSE_TEMPERATURE, now);
    }
}
