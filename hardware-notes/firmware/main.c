/* Reference firmware of an acquisition board. Speaks protocol/SPEC.md.
 *
 * Its cuts are software on one chip. They are not the emergency stop: see ../safety.md.
 */
#include "brake.h"
#include "config.h"
#include "control.h"
#include "guard.h"
#include "link.h"
#include "memory.h"
#include "selftest.h"
#include "sensors.h"
#include "teeth.h"
#include "ticks.h"

static const uint8_t firmware_version[3] = { 1, 0, 0 };

/* The specification asks for one every 100 ms at least. */
#define STATUS_TICKS (80 * TICKS_PER_MS)

static struct memory memory;
static struct schedule status_schedule;
static bool hello_due, status_due;

/* ---- Frames ------------------------------------------------------------------------------ */

enum channel_kind { CHANNEL_TEETH = 1, CHANNEL_FORCE, CHANNEL_ANALOG, CHANNEL_TEMPERATURE, CHANNEL_LOAD };

#ifdef BRAKE
#define LOAD_CHANNELS 1
#else
#define LOAD_CHANNELS 0
#endif

static void put_channels(enum channel_kind kind, uint8_t count, uint16_t rate_hz)
{
    for (uint8_t number = 0; number < count; number++) {
        frame_u8(kind);
        frame_u8(number);
        frame_u16(rate_hz);
    }
}

static void hello_send(void)
{
    frame_begin(KIND_HELLO, ticks_now());
    frame_u32(memory.board_id);
    frame_u32(memory.board_id >> 32);
    frame_u16(memory.boot);
    for (uint8_t i = 0; i < sizeof firmware_version; i++)
        frame_u8(firmware_version[i]);
    frame_u32(TICK_HZ);
    frame_u8(PICKUPS + FORCE_CHANNELS + ANALOG_CHANNELS + TEMPERATURE_CHANNELS + LOAD_CHANNELS);
    put_channels(CHANNEL_TEETH, PICKUPS, 0);
    put_channels(CHANNEL_FORCE, FORCE_CHANNELS, FORCE_RATE_HZ);
    put_channels(CHANNEL_ANALOG, ANALOG_CHANNELS, ANALOG_RATE_HZ);
    put_channels(CHANNEL_TEMPERATURE, TEMPERATURE_CHANNELS, TEMPERATURE_RATE_HZ);
    put_channels(CHANNEL_LOAD, LOAD_CHANNELS, CONTROL_HZ);
    frame_end();
}

static struct cut cut_now(void)
{
    struct cut now;
    ATOMIC {
        now = *(const struct cut *)&cut;
    }
    return now;
}

static void status_send(void)
{
    struct cut latest = cut_now();
    frame_begin(KIND_STATUS, ticks_now());
    frame_u8(latest.in_force);
    frame_u16(latest.id);
    frame_u8(latest.cause);
    frame_u32(captures_lost);
    frame_u32(receive_errors);
    frame_u32(limits.tooth_period_ticks);
    frame_u8(limits.short_periods);
    frame_u16(limits.heartbeat_timeout_ms);
    frame_u8(limits.temperatures);
    for (uint8_t i = 0; i < limits.temperatures; i++) {
        frame_u8(limits.temperature[i].channel);
        frame_u32(limits.temperature[i].counts_max);
    }
    frame_end();
#ifdef BRAKE
    brake_tell();
#endif
}

static bool cut_send(void)
{
    struct cut latest;
    ATOMIC {
        latest = *(const struct cut *)&cut;
        cut.unsent = false;
    }
    if (!latest.unsent)
        return false;
    frame_begin(KIND_CUT, latest.tick);
    frame_u16(latest.id);
    frame_u8(latest.cause);
    frame_end();
    status_due = true;
    return true;
}

/* The most urgent frame that waits. */
static void send_next(void)
{
    if (cut_send())
        return;
    if (status_due) {
        status_due = false;
        status_send();
        return;
    }
#ifdef BRAKE
    if (brake_send())
        return;
#endif
    if (hello_due) {
        hello_due = false;
        status_due = true;
        hello_send();
        return;
    }
    uint32_t now = ticks_now();
    if (!teeth_begin(now))
        sensors_send(now);
}

/* ---- The host's messages ----------------------------------------------------------------- */

static uint16_t get_u16(const uint8_t *at)
{
    return (uint16_t)at[1] << 8 | at[0];
}

static uint32_t get_u32(const uint8_t *at)
{
    return (uint32_t)get_u16(at + 2) << 16 | get_u16(at);
}

#define LIMITS_BYTES 8
#define TEMPERATURE_LIMIT_BYTES 5

static bool limits_received(const uint8_t *payload, uint8_t length)
{
    if (length < LIMITS_BYTES)
        return false;
    struct limits wanted = {
        .tooth_period_ticks = get_u32(payload),
        .short_periods = payload[4],
        .heartbeat_timeout_ms = get_u16(payload + 5),
        .temperatures = payload[7],
    };
    if (wanted.temperatures > TEMPERATURE_LIMITS_MAX ||
        length < LIMITS_BYTES + TEMPERATURE_LIMIT_BYTES * wanted.temperatures)
        return false;
    for (uint8_t i = 0; i < wanted.temperatures; i++) {
        const uint8_t *at = payload + LIMITS_BYTES + TEMPERATURE_LIMIT_BYTES * i;
        wanted.temperature[i].channel = at[0];
        wanted.temperature[i].counts_max = (int32_t)get_u32(at + 1);
    }
    guard_limits(&wanted, ticks_now());
    status_due = true;
    return true;
}

bool link_received(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    switch (kind) {
    case KIND_HEARTBEAT:
        guard_heartbeat(ticks_now());
        return true;
    case KIND_LIMITS:
        return limits_received(payload, length);
    case KIND_HOST_CUT:
        if (length < 1)
            return false;
        guard_host_cut(ticks_now());
        status_due = true;
        return true;
    case KIND_RELEASE:
        if (length < 2)
            return false;
        guard_release(get_u16(payload));
        status_due = true;
        return true;
    case KIND_IDENTIFY:
        hello_due = true;
        return true;
    default:
#ifdef BRAKE
        return brake_received(kind, payload, length);
#else
        return true;
#endif
    }
}

/* ---- Lamp -------------------------------------------------------------------------------- */

/* Steady: running. Blinking four times a second: cut. Dark: no supply, or hanging. */
static void lamp(uint32_t now)
{
    lamp_set(!cut.in_force || now / (TICK_HZ / 8) % 2);
}

/* ---- Control ----------------------------------------------------------------------------- */

#ifdef CONTROL
static struct schedule control_schedule;

static void control_poll(uint32_t now)
{
    if (!schedule_due(&control_schedule, now, TICK_HZ / CONTROL_HZ))
        return;
    struct control_inputs inputs = { .tick = now, .cut = cut.in_force };
    inputs.force_is_known = sensors_force(&inputs.force_counts, &inputs.force_tick);
    teeth_latest(&inputs.tooth_tick, &inputs.teeth);
    control_step(&inputs);
}
#endif

/* ------------------------------------------------------------------------------------------ */

static enum cause start_cause(bool memory_ok)
{
    bool passed = selftest_passed();
    if (!passed || !memory_ok)
        return CAUSE_SELF_TEST;
    if (!selftest_was_power_on())
        return CAUSE_RESET;
    return START_CUT ? CAUSE_OTHER : CAUSE_NONE;
}

int main(void)
{
    chip_start();
    bool memory_ok = memory_start(&memory);
    sensors_start();
    ticks_start();
    enum cause cause = start_cause(memory_ok);
    capture_start();
    link_start();
#ifdef CONTROL
    control_start();
#endif
    uint32_t start = ticks_now();
    guard_start(cause, &memory.ceiling, start);
    hello_due = true; /* and a status behind it */
    status_schedule.due = start + STATUS_TICKS;
    interrupts_on();
    watchdog_start();

    for (;;) {
        watchdog_feed();
        link_receive();
        guard_watch();
        if (!selftest_stack_intact()) {
            ATOMIC {
                guard_cut(CAUSE_OTHER, ticks_now());
            }
        }
        sensors_poll();
        uint32_t now = ticks_now();
#ifdef CONTROL
        control_poll(now);
#endif
        if (schedule_due(&status_schedule, now, STATUS_TICKS))
            status_due = true;
        link_send();
        if (!teeth_go_on() && link_is_free())
            send_next();
        lamp(now);
        chip_idle();
    }
}
