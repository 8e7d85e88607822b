/* The serial line, byte by byte. Nothing in here waits.
 *
 * The hardware holds 32 bytes either way, 640 us at 500,000 baud. The main loop comes every 100 us, so no interrupt is
 * needed. */
#ifndef SERIAL_H
#define SERIAL_H

#include "chip.h"

/* At BAUD, 8N1. Sends a zero, which ends whatever the start put on the line. */
void serial_start(void);

/* Sends bytes as long as there is room for them, and `next` gives one. */
static inline void serial_send(bool (*next)(uint8_t *byte))
{
    uint8_t byte;
    while (!(REGISTER(UART0_FR) & UART_FR_TXFF) && next(&byte))
        REGISTER(UART0_DR) = byte;
}

/* The next byte that came; false if none has. One for which there was no room is lost, and the CRC of
 * its frame will tell. */
static inline bool serial_get(uint8_t *byte)
{
    if (REGISTER(UART0_FR) & UART_FR_RXFE)
        return false;
    *byte = (uint8_t)REGISTER(UART0_DR);
    return true;
}

#endif
