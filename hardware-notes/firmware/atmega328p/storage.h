/* What outlasts the supply: the EEPROM. */
#ifndef STORAGE_H
#define STORAGE_H

#include <avr/eeprom.h>
#include <stdint.h>

/* Version 1.0 had two boot records only, before the identity: its ceiling must be found. */
#define BOOT_BYTES 4
#define BOOT_RECORDS 224
#define IDENTITY_AT (2 * BOOT_BYTES)
#define IDENTITY_BYTES 26

static inline uint16_t boot_at(uint16_t place)
{
    return place * BOOT_BYTES + (place < 2 ? 0 : IDENTITY_BYTES);
}

static inline void storage_read(uint16_t at, void *bytes, uint8_t count)
{
    eeprom_read_block(bytes, (const void *)at, count);
}

static inline void storage_write(uint16_t at, const void *bytes, uint8_t count)
{
    eeprom_update_block(bytes, (void *)at, count);
}

#endif
