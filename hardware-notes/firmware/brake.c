#include "brake.h"

#include "control.h"
#include "driver.h"
#include "guard.h"
#include "link.h"
#include "load.h"
#include "sensors.h"
#include "ticks.h"

#define Q16 65536

/* Settings as the host sends them, in two messages that have one number. */
static struct load_settings wanted;
static uint16_t map_number, gains_number;

static struct load load;
static struct load_outputs latest;
/* Of the settings in force; 0: none yet, and then nothing is put out. */
static uint16_t settings_number;
static bool load_due;

/* ---- Telling the host -------------------------------------------------------------------- */

/* Behind the loop's own reasons. */
#define WHY_NO_SETTINGS 7

void brake_tell(void)
{
    load_due = true;
}

static uint32_t within_32(int64_t value)
{
    return (uint32_t)(value > INT32_MAX ? INT32_MAX : value < -INT32_MAX ? -INT32_MAX : value);
}

bool brake_send(void)
{
    if (!load_due)
        return false;
    load_due = false;
    frame_begin(KIND_LOAD, ticks_now());
    frame_u16(settings_number);
    frame_u8(load.demand.mode);
    frame_u8(load.is_armed);
    frame_u8(latest.saturated);
    frame_u8(settings_number ? load.why : WHY_NO_SETTINGS);
    frame_u8(load.backed_off);
    frame_u32(within_32(latest.output));
    frame_u32(within_32(latest.torque));
    frame_u32(within_32(latest.speed));
    frame_u32(within_32(latest.reference));
    frame_u32(within_32(latest.engine));
    frame_end();
    return true;
}

/* ---- The host's messages ----------------------------------------------------------------- */

static uint16_t u16_at(const uint8_t *at)
{
    return (uint16_t)(at[1] << 8 | at[0]);
}

static uint32_t u32_at(const uint8_t *at)
{
    return (uint32_t)u16_at(at + 2) << 16 | u16_at(at);
}

static int32_t i32_at(const uint8_t *at)
{
    return (int32_t)u32_at(at);
}

/* Settings that are whole, new and workable, as long as there is no load. */
static void take_settings(void)
{
    if (!map_number || map_number != gains_number || map_number == settings_number || latest.holds)
        return;
    wanted.rate_hz = CONTROL_HZ;
    wanted.tick_hz = TICK_HZ;
    if (!load_settings_fit(&wanted))
        return;
    settings_number = map_number;
    load_start(&load, &wanted);
}

#define MAP_BYTES 50

static void map_received(const uint8_t *payload)
{
    map_number = u16_at(payload);
    for (uint8_t i = 0; i < LOAD_MAP_POINTS; i++) {
        wanted.map_speed[i] = u16_at(payload + 2 + 2 * i) * (Q16 / 16);
        wanted.map_torque[i] = u16_at(payload + 18 + 2 * i) * (Q16 / 16);
        wanted.output_for[i + 1] = u16_at(payload + 34 + 2 * i) * (Q16 / 32768);
    }
}

#define GAINS_BYTES 60
_Static_assert(GAINS_BYTES <= LINK_PAYLOAD_KEPT, "read as a whole");

static void gains_received(const uint8_t *payload)
{
    gains_number = u16_at(payload);
    wanted.teeth = u16_at(payload + 2);
    wanted.window_teeth = u16_at(payload + 4);
    wanted.inertia = u32_at(payload + 6);
    wanted.firmness = u16_at(payload + 10);
    wanted.hold = u32_at(payload + 12);
    wanted.approach = u32_at(payload + 16);
    wanted.lead = u16_at(payload + 20);
    wanted.lag = u32_at(payload + 22);
    wanted.slew = u32_at(payload + 26);
    wanted.output_min = i32_at(payload + 30);
    wanted.output_max = i32_at(payload + 34);
    wanted.stall = u32_at(payload + 38);
    wanted.speed_max = u32_at(payload + 42);
    wanted.engine_max = u32_at(payload + 46);
    wanted.torque_slew = u32_at(payload + 50);
    wanted.follow = u32_at(payload + 54);
    wanted.follow_steps = u16_at(payload + 58);
}

#define DEMAND_BYTES 13

static bool demand_received(const uint8_t *payload)
{
    if (payload[0] > LOAD_OUTPUT)
        return false;
    struct load_demand demand = {
        .mode = (enum load_mode)payload[0],
        .target = i32_at(payload + 1),
        .rate = i32_at(payload + 5),
        .square = i32_at(payload + 9),
    };
    load_set(&load, &demand);
    return true;
}

static bool arm_received(uint8_t is_armed)
{
    if (is_armed > 1)
        return false;
    /* Without settings there is nothing to arm, nor while a stepper looks for its end. */
    if (is_armed && settings_number && driver_is_ready())
        load_arm(&load);
    else
        load_disarm(&load);
    return true;
}

bool brake_received(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    static const uint8_t bytes[] = { MAP_BYTES, GAINS_BYTES, DEMAND_BYTES, 1 };
    if (kind < KIND_LOAD_MAP || kind > KIND_LOAD_ARM)
        return true;
    if (length < bytes[kind - KIND_LOAD_MAP])
        return false;
    bool allowed = true;
    switch (kind) {
    case KIND_LOAD_MAP: map_received(payload); break;
    case KIND_LOAD_GAINS: gains_received(payload); break;
    case KIND_LOAD_DEMAND: allowed = demand_received(payload); break;
    default: allowed = arm_received(payload[0]); break;
    }
    take_settings();
    brake_tell();
    return allowed;
}

/* ---- The loop ---------------------------------------------------------------------------- */

#if BRAKE_SENSE_CHANNEL >= 0 || BRAKE_THROTTLE_CHANNEL >= 0
/* A share of the way from one number of counts to another. */
static int32_t share_of_way(int32_t counts, int32_t from, int32_t to)
{
    return (counts - from) * Q16 / (to - from);
}
#endif

static bool is_too_hot(void)
{
#if BRAKE_HOT_CHANNEL >= 0
    int16_t counts = sensors_analog(BRAKE_HOT_CHANNEL);
    if (counts < BRAKE_HOT_COUNTS || counts > BRAKE_HOT_OPEN_COUNTS)
        return true;
#endif
    return guard_is_hot();
}

void control_start(void)
{
    driver_start();
}

void control_step(const struct control_inputs *inputs)
{
    driver_turn();
    if (!settings_number) {
        driver_put(0, Q16);
        return;
    }
    struct load_inputs now = {
        .tick = inputs->tick,
        .tooth_tick = inputs->tooth_tick,
        .teeth = inputs->teeth,
        .cut = inputs->cut,
        .too_hot = is_too_hot(),
        .no_supply = driver_has_no_supply(),
    };
#if BRAKE_SENSE_CHANNEL >= 0
    now.has_measured = true;
    now.measured = share_of_way(sensors_analog(BRAKE_SENSE_CHANNEL), BRAKE_SENSE_ZERO, BRAKE_SENSE_FULL);
#endif
#if BRAKE_THROTTLE_CHANNEL >= 0
    now.has_throttle = true;
    now.throttle = share_of_way(sensors_analog(BRAKE_THROTTLE_CHANNEL), BRAKE_THROTTLE_SHUT, BRAKE_THROTTLE_OPEN);
#endif
    enum load_why why = load.why;
    load_step(&load, &now, &latest);
    /* The engine first. */
    if (latest.wants_cut) {
        ATOMIC {
            guard_cut(CAUSE_LOAD, inputs->tick);
        }
    }
    driver_put((int32_t)latest.output, (int32_t)load.set.output_max);
    if (load.why != why)
        brake_tell();
}
