/* Force, analog and temperature inputs. Nothing here waits. */
#ifndef SENSORS_H
#define SENSORS_H

#include <stdbool.h>
#include <stdint.h>

void sensors_start(void);

/* Takes what is ready, and starts what is due. */
void sensors_poll(void);

/* Writes a frame of the sample that waits; false if none does. */
bool sensors_send(uint32_t now);

/* Supply, as the analog converter sees its own reference against it. Blocks; for the self-test. */
bool sensors_supply_ok(void);

#endif
