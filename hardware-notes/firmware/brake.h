/* The load of a brake stand on this board: protocol/SPEC.md, section 13. Built in with `make BRAKE=pwm`, `servo` or `stepper`.
 *
 * It stands between the loop's arithmetic (load.h) and the pins: pickup 0, the brake's own sensors, its driver; and it
 * takes and gives the host's messages about the load.
 */
#ifndef BRAKE_H
#define BRAKE_H

#include <stdbool.h>
#include <stdint.h>

/* Whether a load frame is due, and sends it. */
bool brake_send(void);

/* A load frame is due: after every status. */
void brake_tell(void);

/* The host's messages; false if one is too short or not allowed. */
bool brake_received(uint8_t kind, const uint8_t *payload, uint8_t length);

#endif
