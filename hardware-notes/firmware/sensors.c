#include "sensors.h"

#include "config.h"
#include "control.h"
#include "guard.h"
#include "inputs.h"
#include "link.h"
#include "ticks.h"

/* A sample that waited longer for the line is dropped. The specification allows 100 ms. */
#define SAMPLE_AGE_TICKS (90 * TICKS_PER_MS)

/* One sample of a channel, or one scan. A new one replaces one that still waits: with a full line
 * samples go before teeth do. */
struct waiting {
    bool is;
    uint32_t tick;
};

static inline bool take(struct waiting *waiting, uint32_t now)
{
    if (!waiting->is)
        return false;
    waiting->is = false;
    return now - waiting->tick <= SAMPLE_AGE_TICKS;
}

/* ---- Force: 24 bits from a two-wire converter --------------------------------------------- */

#if FORCE_CHANNELS
/* Pulses in all; the one after the 24 bits sets channel and gain of the next conversion. */
#define CELL_PULSES 25
#define CELL_BITS 24

static struct waiting force_waiting;
static int32_t force_counts;
static bool force_is_known;

/* The clock must not stay high for longer than 60 us, or such a converter goes to sleep: no main
 * loop work in here, and interrupts are far shorter. */
static void cell_poll(void)
{
    if (cell_data())
        return; /* low: a conversion is ready */
    /* Middle of the conversion that just ended. */
    uint32_t tick = ticks_now() - TICK_HZ / FORCE_RATE_HZ / 2;
    uint32_t bits = 0;
    for (uint8_t i = 0; i < CELL_PULSES; i++) {
        cell_clock(true);
        half_a_microsecond();
        if (i < CELL_BITS)
            bits = bits << 1 | cell_data();
        cell_clock(false);
        half_a_microsecond();
    }
    /* The last pulse sends the data wire up until the next conversion. One that stays low is at
     * ground, or its converter has no supply: samples of it would fill the line. */
    if (!cell_data())
        return;
    if (bits & 0x800000)
        bits |= 0xFF000000;
    /* The first may have been ready for any time before the start. */
    force_counts = (int32_t)bits;
    force_waiting = (struct waiting){ force_is_known, tick };
    force_is_known = true;
}

bool sensors_force(int32_t *counts, uint32_t *tick)
{
    *counts = force_counts;
    *tick = force_waiting.tick;
    return force_is_known;
}

static bool force_send(uint32_t now)
{
    if (!take(&force_waiting, now))
        return false;
    frame_begin(KIND_FORCE, force_waiting.tick);
    frame_u8(0);
    frame_u32(force_counts);
    frame_end();
    return true;
}
#else
bool sensors_force(int32_t *counts, uint32_t *tick)
{
    (void)counts, (void)tick;
    return false;
}
#endif

/* ---- Analog ------------------------------------------------------------------------------ */

#if ANALOG_CHANNELS
static struct waiting analog_waiting;
static struct schedule analog_schedule;
static int16_t analog_counts[ANALOG_CHANNELS];
static int16_t scan_counts[ANALOG_CHANNELS];
static uint8_t scan_channel;
static bool scanning;
static uint32_t scan_tick;

/* A brake's loop wants its current at every step, the host not as often. */
#ifdef BRAKE
#define SCANS_A_SAMPLE (CONTROL_HZ / ANALOG_RATE_HZ)
static int16_t latest_counts[ANALOG_CHANNELS];
static uint16_t scans;

int16_t sensors_analog(uint8_t channel)
{
    return latest_counts[channel];
}
#else
#define SCANS_A_SAMPLE 1
#endif

static void scan_start(uint8_t channel)
{
    scan_channel = channel;
    analog_start(channel);
}

static void analog_poll(uint32_t now)
{
    if (!scanning) {
        if (schedule_due(&analog_schedule, now, TICK_HZ / ANALOG_RATE_HZ / SCANS_A_SAMPLE)) {
            scanning = true;
            scan_tick = now;
            scan_start(0);
        }
        return;
    }
    if (analog_is_busy())
        return;
    scan_counts[scan_channel] = analog_result();
    if (scan_channel + 1 < ANALOG_CHANNELS) {
        scan_start(scan_channel + 1);
        return;
    }
    scanning = false;
#ifdef BRAKE
    for (uint8_t i = 0; i < ANALOG_CHANNELS; i++)
        latest_counts[i] = scan_counts[i];
    if (++scans < SCANS_A_SAMPLE)
        return;
    scans = 0;
#endif
    for (uint8_t i = 0; i < ANALOG_CHANNELS; i++)
        analog_counts[i] = scan_counts[i];
    analog_waiting = (struct waiting){ true, scan_tick };
}

static bool analog_send(uint32_t now)
{
    if (!take(&analog_waiting, now))
        return false;
    frame_begin(KIND_ANALOG, analog_waiting.tick);
    frame_u8(0);
    for (uint8_t i = 0; i < ANALOG_CHANNELS; i++)
        frame_u16(analog_counts[i]);
    frame_end();
    return true;
}
#endif

/* ---- Temperature: thermocouple converter over SPI ----------------------------------------- */

#if TEMPERATURE_CHANNELS
/* 32 bits, read only, highest first: 14 of thermocouple (1/4 kelvin), one always 0, one fault; 12
 * of cold junction (1/16 kelvin), one always 0, three kinds of fault. */
#define THERMOCOUPLE_FAULT 0x00010000UL
#define ALWAYS_ZERO 0x00020008UL
#define UNREADABLE INT32_MAX

static struct waiting temperature_waiting[TEMPERATURE_CHANNELS];
static struct schedule temperature_schedule;
static int32_t temperature_counts[TEMPERATURE_CHANNELS];

static void temperature_take(uint8_t channel, int32_t counts, uint32_t tick)
{
    guard_temperature(channel, counts, ticks_now());
    temperature_counts[channel] = counts;
    temperature_waiting[channel] = (struct waiting){ true, tick };
}

static void temperatures_take(uint32_t word, uint32_t tick)
{
    int32_t thermocouple = (int32_t)word >> 18;
    int32_t cold_junction = (int16_t)word >> 4;
    /* Nothing there reads as all ones, from the pull-up; a short as all zeros, which a real
     * converter shows only if both are at 0.00 degrees Celsius. */
    if ((word & ALWAYS_ZERO) || word == 0)
        thermocouple = cold_junction = UNREADABLE;
    if (word & THERMOCOUPLE_FAULT)
        thermocouple = UNREADABLE;
    temperature_take(0, thermocouple, tick);
    temperature_take(1, cold_junction, tick);
}

/* One byte a call. */
static void temperature_poll(uint32_t now)
{
    static uint8_t bytes_left;
    static uint32_t word, tick;
    if (bytes_left) {
        uint8_t byte;
        if (!thermocouple_byte(&byte))
            return;
        word = word << 8 | byte;
        if (--bytes_left) {
            thermocouple_next_byte();
            return;
        }
        thermocouple_select(false);
        temperatures_take(word, tick);
    } else if (schedule_due(&temperature_schedule, now, TICK_HZ / TEMPERATURE_RATE_HZ)) {
        thermocouple_select(true);
        bytes_left = sizeof word;
        /* Such a converter converts ten times a second by its own clock. The middle of its last
         * conversion was 50 to 150 ms ago, nobody knows when. */
        tick = now - 50 * TICKS_PER_MS;
        thermocouple_next_byte();
    }
}

static bool temperature_send(uint32_t now)
{
    for (uint8_t channel = 0; channel < TEMPERATURE_CHANNELS; channel++) {
        if (!take(&temperature_waiting[channel], now))
            continue;
        frame_begin(KIND_TEMPERATURE, temperature_waiting[channel].tick);
        frame_u8(channel);
        frame_u32(temperature_counts[channel]);
        frame_end();
        return true;
    }
    return false;
}
#endif

/* ------------------------------------------------------------------------------------------ */

void sensors_start(void)
{
    inputs_start();
}

void sensors_poll(void)
{
#if FORCE_CHANNELS
    cell_poll();
#endif
#if ANALOG_CHANNELS
    analog_poll(ticks_now());
#endif
#if TEMPERATURE_CHANNELS
    temperature_poll(ticks_now());
#endif
}

bool sensors_send(uint32_t now)
{
    (void)now;
#if FORCE_CHANNELS
    if (force_send(now))
        return true;
#endif
#if ANALOG_CHANNELS
    if (analog_send(now))
        return true;
#endif
#if TEMPERATURE_CHANNELS
    if (temperature_send(now))
        return true;
#endif
    return false;
}
