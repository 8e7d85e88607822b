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

/* Two places in turn: if the supply fails during a write, the other still holds. */
struct boot_record {
    uint16_t boot;
    uint16_t crc;
};

static struct record EEMEM stored;
static struct boot_record EEMEM stored_boots[2];

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
    eeprom_read_block(&found, &stored, sizeof found);
    if (is_blank(&found, sizeof found)) {
        eeprom_update_block(&built, &stored, sizeof built);
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
    struct boot_record found[2];
    eeprom_read_block(found, stored_boots, sizeof found);
    bool sound[2];
    for (uint8_t i = 0; i < 2; i++)
        sound[i] = found[i].crc == crc_of(&found[i].boot, sizeof found[i].boot);

    bool ok = sound[0] || sound[1] || is_blank(found, sizeof found);
    uint8_t newest = 0;
    if (sound[0] && sound[1])
        newest = (int16_t)(found[1].boot - found[0].boot) > 0;
    else if (sound[1])
        newest = 1;
    uint16_t boot = found[newest].boot + 1;
    memory->boot = boot;
    struct boot_record next = { boot, crc_of(&boot, sizeof boot) };
    eeprom_update_block(&next, &stored_boots[!newest], sizeof next);
    return ok;
}

bool memory_start(struct memory *memory)
{
    bool identity_ok = identity_start(memory);
    bool boot_ok = boot_start(memory);
    return identity_ok && boot_ok;
}
