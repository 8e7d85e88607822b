#include "memory.h"

#include <avr/eeprom.h>
#include <stddef.h>
#include <util/crc16.h>

#include "config.h"

#define LAYOUT 1
#define BLANK 0xFF

struct record {
    uint8_t layout;
    uint64_t board_id;
    struct ceiling ceiling;
    uint16_t crc;
};

/* One place after the other: if the supply fails during a write, the one before still holds, and a board
 * that resets all the time wears each only at every 224th start. */
#define BOOT_RECORDS 224
struct boot_record {
    uint16_t boot;
    uint16_t crc;
};

/* Version 1.0 had the first two counts only: its ceiling must be found. */
static struct {
    struct boot_record first_boots[2];
    struct record identity;
    struct boot_record boots[BOOT_RECORDS - 2];
} stored EEMEM;

static struct boot_record *boot_place(uint8_t i)
{
    return i < 2 ? &stored.first_boots[i] : &stored.boots[i - 2];
}

static uint16_t crc_of(const void *bytes, uint8_t length)
{
    const uint8_t *at = bytes;
    uint16_t crc = 0xFFFF;
    while (length--)
        crc = _crc_xmodem_update(crc, *at++);
    return crc;
}

static bool is_blank(const void *bytes, uint8_t length)
{
    const uint8_t *at = bytes;
    while (length--)
        if (*at++ != BLANK)
            return false;
    return true;
}

static struct ceiling tighter(struct ceiling a, const struct ceiling *b)
{
    if (b->tooth_period_ticks > a.tooth_period_ticks)
        a.tooth_period_ticks = b->tooth_period_ticks;
    if (b->short_periods < a.short_periods)
        a.short_periods = b->short_periods;
    if (guard_is_shorter(b->heartbeat_timeout_ms, a.heartbeat_timeout_ms))
        a.heartbeat_timeout_ms = b->heartbeat_timeout_ms;
    for (uint8_t i = 0; i < 2; i++)
        if (b->temperature_counts[i] < a.temperature_counts[i])
            a.temperature_counts[i] = b->temperature_counts[i];
    return a;
}

static bool identity_start(struct memory *memory)
{
    struct record built = {
        .layout = LAYOUT,
        .board_id = BOARD_ID,
        .ceiling = {
            .tooth_period_ticks = CEILING_TOOTH_PERIOD_TICKS,
            .short_periods = CEILING_SHORT_PERIODS,
            .heartbeat_timeout_ms = CEILING_HEARTBEAT_TIMEOUT_MS,
            .temperature_counts = CEILING_TEMPERATURE_COUNTS,
        },
    };
    built.crc = crc_of(&built, offsetof(struct record, crc));
    memory->board_id = built.board_id;
    memory->ceiling = built.ceiling;

    struct record found;
    eeprom_read_block(&found, &stored.identity, sizeof found);
    if (is_blank(&found, sizeof found)) {
        eeprom_update_block(&built, &stored.identity, sizeof built);
        return true;
    }
    if (found.layout != LAYOUT || found.crc != crc_of(&found, offsetof(struct record, crc)))
        return false;
    memory->board_id = found.board_id;
    memory->ceiling = tighter(built.ceiling, &found.ceiling);
    return true;
}

static bool boot_start(struct memory *memory)
{
    bool all_blank = true, any = false;
    uint8_t newest = BOOT_RECORDS - 1;
    uint16_t newest_boot = UINT16_MAX;
    for (uint8_t i = 0; i < BOOT_RECORDS; i++) {
        struct boot_record found;
        eeprom_read_block(&found, boot_place(i), sizeof found);
        all_blank &= is_blank(&found, sizeof found);
        bool sound = found.crc == crc_of(&found.boot, sizeof found.boot);
        if (!sound || (any && (int16_t)(found.boot - newest_boot) < 0))
            continue;
        any = true;
        newest = i;
        newest_boot = found.boot;
    }
    memory->boot = newest_boot + 1;
    struct boot_record next = { memory->boot, crc_of(&memory->boot, sizeof memory->boot) };
    eeprom_update_block(&next, boot_place(newest + 1 < BOOT_RECORDS ? newest + 1 : 0), sizeof next);
    return any || all_blank;
}

bool memory_start(struct memory *memory)
{
    bool identity_ok = identity_start(memory);
    bool boot_ok = boot_start(memory);
    return identity_ok && boot_ok;
}
