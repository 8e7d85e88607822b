/* Force, analog and temperature inputs. Nothing here waits. */
#ifndef SENSORS_H
#define SENSORS_H

#include <stdbool.h>
#include <stdint.h>

void sensors_start(void);

/* Takes what is ready, and starts what is due. */
void sensors_poll(void);

/* The latest force, and the middle of its conversion; false: none yet. */
bool sensors_force(int32_t *counts, uint32_t *tick);

/* Latest counts of an analog input. */
int16_t sensors_analog(uint8_t channel);

/* Writes a frame of the sample that waits; false if none does. */
bool sensors_send(uint32_t now);

#endif
