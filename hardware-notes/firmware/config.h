/* What a person sets for their own stand. Everything else is in the code.
 *
 * Every value can be given to make instead, for example: make SETTINGS="-DBAUD=115200"
 */
#ifndef CONFIG_H
#define CONFIG_H

#include <stdint.h>

#include "chip.h"

/* ---- Serial line ------------------------------------------------------------------------- */

/* 500,000 divides both chips' clocks exactly. 115,200 is 2.1 % off on an ATmega328P, which works, but carries
 * only some 4,000 teeth a second. */
#ifndef BAUD
#define BAUD 500000
#endif

/* ---- Identity ---------------------------------------------------------------------------- */

/* Stored at the first start and kept from then on. The Makefile makes up a random
 * one; 0 is what a build without the Makefile gets. */
#ifndef BOARD_ID
#define BOARD_ID 0
#endif

/* ---- Inputs ------------------------------------------------------------------------------ */

/* 1: the drum only. 2: a second pickup, usually at the engine. */
#ifndef PICKUPS
#define PICKUPS 1
#endif

/* 0 or 1 load-cell converter. Its rate is set by a pin of the converter: say here which it is. */
#ifndef FORCE_CHANNELS
#define FORCE_CHANNELS 1
#endif
#ifndef FORCE_RATE_HZ
#define FORCE_RATE_HZ 80
#endif

/* Analog inputs, A0 upwards, and scans a second. An ATmega328P has 6, of 10 bits; an RP2040 3, of 12. */
#ifndef ANALOG_CHANNELS
#define ANALOG_CHANNELS ANALOG_CHANNELS_USUAL
#endif
#if ANALOG_CHANNELS > ANALOG_CHANNELS_MOST
#error "ANALOG_CHANNELS: more than this chip has"
#endif
#ifndef ANALOG_RATE_HZ
#define ANALOG_RATE_HZ 100
#endif

/* 0, or 2 for a thermocouple converter: channel 0 is the thermocouple, 1/4 kelvin a count,
 * channel 1 the converter's own temperature (its cold junction), 1/16 kelvin a count. */
#ifndef TEMPERATURE_CHANNELS
#define TEMPERATURE_CHANNELS 2
#endif
#define TEMPERATURE_RATE_HZ 10

/* ---- Brake: only where built with BRAKE ---------------------------------------------------- */

/* How often its driver is switched, or a servo gets its pulse. A servo that takes no more than 50 pulses a second makes the
 * load 20 ms late. */
#ifndef BRAKE_OUTPUT_HZ
#ifdef BRAKE_SERVO
#define BRAKE_OUTPUT_HZ 250
#else
#define BRAKE_OUTPUT_HZ 10000
#endif
#endif

/* Of a stepper (BRAKE=stepper): steps of the whole way, closed to open, and steps a second, at most one a turn of the loop. There is
 * no ramp: a rate that the motor starts and stops at by itself, under the valve's load. The stand file's stroke is
 * BRAKE_STEPS / BRAKE_STEPS_HZ. BRAKE_END_SWITCH 1: a switch at the closed end; 0: it is driven against its stop. */
#ifndef BRAKE_STEPS
#define BRAKE_STEPS 200
#endif
#ifndef BRAKE_STEPS_HZ
#define BRAKE_STEPS_HZ 1000
#endif
#ifndef BRAKE_END_SWITCH
#define BRAKE_END_SWITCH 1
#endif

/* Analog input that has the coil's current, the oil's pressure or the valve's place; -1: none, and then a brake that
 * does not follow is found by speed and supply alone. Its counts without load, and at full load. */
#ifndef BRAKE_SENSE_CHANNEL
#define BRAKE_SENSE_CHANNEL 0
#endif
#ifndef BRAKE_SENSE_ZERO
#define BRAKE_SENSE_ZERO 0
#endif
#ifndef BRAKE_SENSE_FULL
#define BRAKE_SENSE_FULL 3000
#endif

/* Analog input that has the throttle's place, from a potentiometer on its shaft; -1: none. Its counts shut and fully open. */
#ifndef BRAKE_THROTTLE_CHANNEL
#define BRAKE_THROTTLE_CHANNEL -1
#endif
#ifndef BRAKE_THROTTLE_SHUT
#define BRAKE_THROTTLE_SHUT 400
#endif
#ifndef BRAKE_THROTTLE_OPEN
#define BRAKE_THROTTLE_OPEN 3600
#endif

/* Analog input that has a thermistor on the brake, from the pin to ground; -1: none. Fewer counts are too hot, more an open
 * wire. The load also ends when a thermocouple is above its limit. */
#ifndef BRAKE_HOT_CHANNEL
#define BRAKE_HOT_CHANNEL -1
#endif
#ifndef BRAKE_HOT_COUNTS
#define BRAKE_HOT_COUNTS 400
#endif
#ifndef BRAKE_HOT_OPEN_COUNTS
#define BRAKE_HOT_OPEN_COUNTS 4000
#endif

/* 1: a switch tells whether the brake has its water, oil or power. */
#ifndef BRAKE_SUPPLY_SWITCH
#define BRAKE_SUPPLY_SWITCH 1
#endif

#if defined BRAKE && (BRAKE_SENSE_CHANNEL >= ANALOG_CHANNELS || BRAKE_HOT_CHANNEL >= ANALOG_CHANNELS || \
                      BRAKE_THROTTLE_CHANNEL >= ANALOG_CHANNELS)
#error "BRAKE_SENSE_CHANNEL, BRAKE_HOT_CHANNEL, BRAKE_THROTTLE_CHANNEL: not among ANALOG_CHANNELS"
#endif

/* ---- Start ------------------------------------------------------------------------------- */

/* 1: cut after every start, until a host releases. 0: running after a power-on. A stand whose
 * supply came back should not be ready to run before a person wants it to. */
#ifndef START_CUT
#define START_CUT 1
#endif

/* ---- Ceiling ----------------------------------------------------------------------------- */
/* In force from the start, whatever the host says. The host's limits can only be tighter. */

/* Shortest time between drum teeth, in ticks of the chip. 20,000 teeth a second are the end of what the line
 * carries. Set it for your drum: TICK_HZ * 60 / (rpm * teeth). */
#ifndef CEILING_TOOTH_PERIOD_TICKS
#define CEILING_TOOTH_PERIOD_TICKS (TICK_HZ / 20000)
#endif

/* Most successive shorter periods before the cut, 1 to 255. */
#ifndef CEILING_SHORT_PERIODS
#define CEILING_SHORT_PERIODS 50
#endif

/* Longest time without a heartbeat; 0: only what the host asks for. Anything else keeps the
 * engine cut as long as no host is there. */
#ifndef CEILING_HEARTBEAT_TIMEOUT_MS
#define CEILING_HEARTBEAT_TIMEOUT_MS 1000
#endif

/* Highest counts of temperature channels 0 and 1; INT32_MAX: only what the host asks for. */
#ifndef CEILING_TEMPERATURE_COUNTS
#define CEILING_TEMPERATURE_COUNTS { INT32_MAX, INT32_MAX }
#endif

#endif
