/* Which pin does what. D and A numbers are those printed on most boards.
 *
 * ICP1, T0, INT1 and the SPI pins are bound to their hardware and can't move.
 */
#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

/*  D8  PB0  pickup 0, timer 1 input capture
 *  D4  PD4  pickup 0 as well (a short wire from D8): timer 0 counts the edges
 *  D3  PD3  pickup 1, interrupt 1
 *  D2  PD2  load-cell converter, data
 *  D5  PD5  load-cell converter, clock
 *  D10 PB2  thermocouple converter, chip select
 *  D12 PB4  thermocouple converter, data (MISO)
 *  D13 PB5  thermocouple converter, clock (SCK)
 *  D7  PD7  status lamp
 *  D9  PB1  run: high lets the engine run
 *  A0-A5    analog inputs
 */
#define RUN_BIT _BV(PORTB1)
#define SELECT_BIT _BV(PORTB2)
#define CLOCK_BIT _BV(PORTB5)

#define CELL_DATA_BIT _BV(PORTD2)
#define CELL_CLOCK_BIT _BV(PORTD5)
#define LAMP_BIT _BV(PORTD7)

#endif
