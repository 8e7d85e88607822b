#include "memory.h"

#include <stddef.h>

#include "config.h"
#include "storage.h"

#define LAYOUT 1
#define BLANK 0xFF

struct __attribute__((packed)) record {
    uint8_t layout;
    uint64_t board_id;
    struct ceiling ceiling;
    uint16_t crc;
};

_Static_assert(sizeof(struct record) <= IDENTITY_BYTES, "room for it in every chip's storage");

/* One place after the other: if the supply fails during a write, the one before still holds, and a board
 * that resets all the time wears each only once in a round. */
struct boot_record {
    uint16_t boot;
    uint16_t crc;
};
_Static_assert(sizeof(struct boot_record) == BOOT_BYTES, "as the storage has it");

static uint16_t crc_of(const void *bytes, uint8_t length)
{
    const uint8_t *at = bytes;
    uint16_t crc = 0xFFFF;
    while (length--)
        crc = crc_add(crc, *at++);
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
    storage_read(IDENTITY_AT, &found, sizeof found);
    if (is_blank(&found, sizeof found)) {
        storage_write(IDENTITY_AT, &built, sizeof built);
        return true;
    }
    if (found.layout != LAYOUT || found.crc != crc_of(&found, offsetof(struct record, crc)))
        return false;
    memory->board_id = found.board_id;
    memory->ceiling = tighter(built.ceiling, &found.ceiling);
    return true;
}

static bool is_sound(const struct boot_record *found)
{
    return found->crc == crc_of(&found->boot, sizeof found->boot);
}

/* A place where it cannot be written is passed over: it is worn out, or a write was broken off there. */
static void boot_write(uint16_t place, uint16_t boot)
{
    struct boot_record next = { boot, crc_of(&boot, sizeof boot) }, found;
    for (uint8_t tries = 0; tries < 8; tries++) {
        place = place + 1 < BOOT_RECORDS ? place + 1 : 0;
        storage_write(boot_at(place), &next, sizeof next);
        storage_read(boot_at(place), &found, sizeof found);
        if (found.boot == boot && is_sound(&found))
            return;
    }
}

static bool boot_start(struct memory *memory)
{
    bool all_blank = true, any = false;
    uint16_t newest = BOOT_RECORDS - 1;
    uint16_t newest_boot = UINT16_MAX;
    for (uint16_t i = 0; i < BOOT_RECORDS; i++) {
        struct boot_record found;
        storage_read(boot_at(i), &found, sizeof found);
        all_blank &= is_blank(&found, sizeof found);
        if (!is_sound(&found) || (any && (int16_t)(found.boot - newest_boot) < 0))
            continue;
        any = true;
        newest = i;
        newest_boot = found.boot;
    }
    memory->boot = newest_boot + 1;
    boot_write(newest, memory->boot);
    return any || all_blank;
}

bool memory_start(struct memory *memory)
{
    bool identity_ok = identity_start(memory);
    bool boot_ok = boot_start(memory);
    return identity_ok && boot_ok;
}
