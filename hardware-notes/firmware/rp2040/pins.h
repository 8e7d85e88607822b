/* Which pin does what. GP numbers are those printed on most boards. */
#ifndef PINS_H
#define PINS_H

/*  GP0   serial line, out
 *  GP1   serial line, in
 *  GP2   pickup 0
 *  GP3   pickup 1
 *  GP6   load-cell converter, data
 *  GP7   load-cell converter, clock
 *  GP10  brake's driver: switched, a servo's pulses, or a stepper's steps
 *  GP11  brake's driver, turned round; a stepper's direction, high towards more load
 *  GP12  brake's supply is there: water, oil, or its driver's ready
 *  GP13  a stepper's switch at its closed end: low there
 *  GP14  run: high lets the engine run
 *  GP15  status lamp
 *  GP16  thermocouple converter, data
 *  GP17  thermocouple converter, chip select
 *  GP18  thermocouple converter, clock
 *  GP26  analog input 0
 *  GP27  analog input 1
 *  GP28  analog input 2
 */
#define LINE_OUT_PIN 0
#define LINE_IN_PIN 1
#define PICKUP_0_PIN 2
#define CELL_DATA_PIN 6
#define CELL_CLOCK_PIN 7
#define BRAKE_PIN 10
#define BRAKE_BACK_PIN 11
#define BRAKE_SUPPLY_PIN 12
#define BRAKE_END_PIN 13
#define RUN_PIN 14
#define LAMP_PIN 15
#define THERMOCOUPLE_DATA_PIN 16
#define THERMOCOUPLE_SELECT_PIN 17
#define THERMOCOUPLE_CLOCK_PIN 18
#define ANALOG_0_PIN 26

#endif
