#include "storage.h"

#include "chip.h"

/* As the linker script leaves it free. */
#define STORAGE_IN_FLASH 0x1fd000

/* Commands that every serial NOR flash has. */
enum { WRITE_ENABLE = 0x06, PROGRAM = 0x02, ERASE_SECTOR = 0x20, READ_STATUS = 0x05, READ = 0x03 };
#define STATUS_BUSY 0x01

/* Byte by byte, instead of as memory. */
static void bytes_mode(void)
{
    REGISTER(SSI_SSIENR) = 0;
    REGISTER(SSI_CTRLR0) = 7 << 16; /* 8 bits, both ways */
    REGISTER(SSI_SER) = 1;
    REGISTER(SSI_SSIENR) = 1;
}

/* As boot2.S. */
static void memory_mode(void)
{
    REGISTER(SSI_SSIENR) = 0;
    REGISTER(SSI_CTRLR0) = 31 << 16 | 3 << 8;
    REGISTER(SSI_CTRLR1) = 0;
    REGISTER(SSI_SPI_CTRLR0) = READ << 24 | 2 << 8 | 6 << 2;
    REGISTER(SSI_SSIENR) = 1;
}

static uint8_t exchange(uint8_t byte)
{
    REGISTER(SSI_DR0) = byte;
    while (!(REGISTER(SSI_SR) & SSI_SR_RFNE))
        ;
    return (uint8_t)REGISTER(SSI_DR0);
}

static void select(bool on)
{
    REGISTER(IO_QSPI_SS_CTRL) = on ? OUTPUT_LOW : OUTPUT_HIGH;
}

static void command(uint8_t code)
{
    select(true);
    exchange(code);
}

static void begin_change(uint8_t code, uint32_t at)
{
    command(WRITE_ENABLE);
    select(false);
    command(code);
    exchange((uint8_t)(at >> 16));
    exchange((uint8_t)(at >> 8));
    exchange((uint8_t)at);
}

/* Half a second is more than an erasure takes. */
static void end_change(void)
{
    select(false);
    uint32_t start = ticks_now();
    uint8_t status;
    do {
        command(READ_STATUS);
        status = exchange(0);
        select(false);
    } while ((status & STATUS_BUSY) && ticks_now() - start < TICK_HZ / 2);
}

void storage_read(uint16_t at, void *bytes, uint8_t count)
{
    const uint8_t *from = (const uint8_t *)FLASH_PAST_CACHE + STORAGE_IN_FLASH + at;
    for (uint8_t *to = bytes; count--; to++)
        *to = *from++;
}

static bool sector_is_blank(uint16_t at)
{
    const uint32_t *from = (const uint32_t *)(FLASH_PAST_CACHE + STORAGE_IN_FLASH + at);
    for (uint16_t n = 0; n < SECTOR_BYTES / sizeof *from; n++)
        if (from[n] != UINT32_MAX)
            return false;
    return true;
}

void storage_write(uint16_t at, const void *bytes, uint8_t count)
{
    const uint8_t *from = bytes;
    bool erase = at % SECTOR_BYTES == 0 && !sector_is_blank(at);
    bytes_mode();
    if (erase) {
        begin_change(ERASE_SECTOR, STORAGE_IN_FLASH + at);
        end_change();
    }
    begin_change(PROGRAM, STORAGE_IN_FLASH + at);
    while (count--)
        exchange(*from++);
    end_change();
    REGISTER(IO_QSPI_SS_CTRL) = OUTPUT_AS_USUAL;
    memory_mode();
}
