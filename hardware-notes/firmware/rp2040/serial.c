#include "serial.h"

#include "chip.h"
#include "config.h"

/* In 64ths of the divisor of 16 times the rate. */
#define DIVISOR ((CLOCK_HZ * 4ULL + BAUD / 2) / BAUD)
#define EIGHT_BITS_WITH_QUEUES 0x70
#define ON_BOTH_WAYS 0x301

void serial_start(void)
{
    REGISTER(UART0_IBRD) = DIVISOR / 64;
    REGISTER(UART0_FBRD) = DIVISOR % 64;
    REGISTER(UART0_LCR_H) = EIGHT_BITS_WITH_QUEUES;
    REGISTER(UART0_CR) = ON_BOTH_WAYS;
    REGISTER(UART0_DR) = 0;
}
