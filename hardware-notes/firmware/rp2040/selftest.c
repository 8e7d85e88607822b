#include "selftest.h"

#include "inputs.h"
#include "ticks.h"

extern const uint8_t image_start, image_end, image_in_flash, image_flash_end;

/* A brown-out looks the same: this chip cannot tell it from a power-on. So it always starts cut. */
bool selftest_was_power_on(void)
{
    return REGISTER(CHIP_RESET) & CHIP_RESET_HAD_POR && !REGISTER(WATCHDOG_REASON);
}

/* The Makefile puts a CRC behind the last byte of the flash's part. What runs is its copy in RAM, whose variables
 * have not changed yet, or only some. */
static bool program_ok(void)
{
    uint16_t crc = 0xFFFF;
    const uint8_t *at = (const uint8_t *)FLASH;
    for (; at < &image_flash_end; at++)
        crc = crc_add(crc, *at);
    return crc == (at[1] << 8 | at[0]);
}

/* The chip's own temperature sensor, 0.706 V at 27 degrees Celsius and 1.721 mV less for each more (data sheet, 4.9.5),
 * against the supply of 3.3 V: from 100 degrees and a supply 10 % high to -20 degrees and one 10 % low. */
static bool supply_ok(void)
{
    for (uint8_t i = 0; i < 8; i++) {
        analog_start(ANALOG_OWN_TEMPERATURE);
        while (analog_is_busy())
            ;
    }
    uint16_t counts = analog_result();
    return counts >= 580UL * 4096 / 3630 && counts <= 787UL * 4096 / 2970;
}

static bool clock_runs(void)
{
    uint32_t before = ticks_now();
    for (uint16_t n = 0; n < 1000; n++)
        if (ticks_now() != before)
            return true;
    return false;
}

bool selftest_passed(void)
{
    bool output_low = !(REGISTER(SIO_GPIO_IN) >> RUN_PIN & 1);
    bool ram_ok = !REGISTER(WATCHDOG_SCRATCH0);
    return ram_ok && program_ok() && supply_ok() && clock_runs() && output_low;
}
