/* What outlasts the supply: three sectors of the flash. One for the identity, two for the counts of starts, of
 * which one is erased when the other is full: 100,000 times each (flashes' data sheets, from memory) are 200 million
 * starts. */
#ifndef STORAGE_H
#define STORAGE_H

#include <stdint.h>

#define SECTOR_BYTES 4096
#define BOOT_BYTES 4
#define BOOT_RECORDS (2 * SECTOR_BYTES / BOOT_BYTES)
#define IDENTITY_AT 0
#define IDENTITY_BYTES 26

static inline uint16_t boot_at(uint16_t place)
{
    return SECTOR_BYTES + place * BOOT_BYTES;
}

void storage_read(uint16_t at, void *bytes, uint8_t count);

/* Erases the sector first if these are the first bytes of one and it is not blank. Only at the start, while nothing interrupts. */
void storage_write(uint16_t at, const void *bytes, uint8_t count);

#endif
