/* The cut: latched, numbered, and the limits that lead to it. */
#ifndef GUARD_H
#define GUARD_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "ticks.h"

enum cause {
    CAUSE_NONE = 0,
    CAUSE_HOST = 1,
    CAUSE_OVERSPEED = 2,
    CAUSE_HEARTBEAT = 3,
    CAUSE_TEMPERATURE = 4,
    CAUSE_SELF_TEST = 5,
    CAUSE_RESET = 6,
    CAUSE_OTHER = 7,
    CAUSE_MISCOUNTING = 8,
    CAUSE_LOAD = 9,
};

/* The latest cut. */
struct cut {
    bool in_force;
    bool unsent; /* no cut frame has told of it yet */
    uint8_t cause;
    uint16_t id;
    uint32_t tick;
};
extern volatile struct cut cut;

#define TEMPERATURE_LIMITS_MAX 4

struct temperature_limit {
    uint8_t channel;
    int32_t counts_max;
};

struct limits {
    uint32_t tooth_period_ticks;
    uint8_t short_periods;
    uint16_t heartbeat_timeout_ms;
    uint8_t temperatures;
    struct temperature_limit temperature[TEMPERATURE_LIMITS_MAX];
};

/* In force now: the host's, no looser than the ceiling. */
extern struct limits limits;

/* What no host can loosen. Kept where the supply does not matter, byte by byte. */
struct __attribute__((packed)) ceiling {
    uint32_t tooth_period_ticks;
    uint8_t short_periods;
    uint16_t heartbeat_timeout_ms;
    int32_t temperature_counts[2];
};

/* 0 means no timeout, longer than any. */
bool guard_is_shorter(uint16_t timeout_ms, uint16_t than_ms);

/* Numbers a cut, if none is in force. */
void guard_latch(enum cause cause, uint32_t tick);

/* Cuts. Interrupts must be off. The pin comes first: nothing may stand between a cause and it. */
static inline void guard_cut(enum cause cause, uint32_t tick)
{
    run_pin_low();
    guard_latch(cause, tick);
}

/* State and ceiling at the start; CAUSE_NONE: running. */
void guard_start(enum cause cause, const struct ceiling *ceiling, uint32_t now);

/* Cuts if the heartbeat, or a guarded temperature, is late. Call it at least once a millisecond. */
void guard_watch(void);

/* The host's messages. */
void guard_heartbeat(uint32_t now);
void guard_limits(const struct limits *wanted, uint32_t now);
void guard_host_cut(uint32_t now);
void guard_release(uint16_t cut_id);

/* Whether a temperature is above its limit. */
bool guard_is_hot(void);

/* A temperature sample; INT32_MAX if it could not be read. */
void guard_temperature(uint8_t channel, int32_t counts, uint32_t now);

#endif
