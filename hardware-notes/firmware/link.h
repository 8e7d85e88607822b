/* The serial line and its frames: protocol/SPEC.md, sections 2, 3 and 8. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

enum kind {
    KIND_HELLO = 0x01,
    KIND_TEETH = 0x02,
    KIND_FORCE = 0x03,
    KIND_ANALOG = 0x04,
    KIND_TEMPERATURE = 0x05,
    KIND_STATUS = 0x06,
    KIND_CUT = 0x07,
    KIND_LOAD = 0x08,
    KIND_HEARTBEAT = 0x81,
    KIND_LIMITS = 0x82,
    KIND_HOST_CUT = 0x83,
    KIND_RELEASE = 0x84,
    KIND_IDENTIFY = 0x85,
    KIND_LOAD_MAP = 0x86,
    KIND_LOAD_GAINS = 0x87,
    KIND_LOAD_DEMAND = 0x88,
    KIND_LOAD_ARM = 0x89,
};

/* Frames from the host that were damaged, or of a known kind and unreadable. */
extern uint32_t receive_errors;

void link_start(void);

/* ---- Sending ----------------------------------------------------------------------------- */

/* Moves bytes of the frame under way to the line, as far as there is room for them and they are
 * there. A frame may be on the line before its end is written. */
void link_send(void);

/* Whether all of the last frame has gone, so that the next may begin. */
bool link_is_free(void);

/* One frame: begin, its payload, end. Only while link_is_free(). */
void frame_begin(enum kind kind, uint32_t tick);
void frame_u8(uint8_t value);
void frame_u16(uint16_t value);
void frame_u32(uint32_t value);
void frame_end(void);

/* ---- Receiving --------------------------------------------------------------------------- */

/* Takes in what has come, and hands sound frames to link_received(). */
void link_receive(void);

/* Given by the main program. `length` may be greater than LINK_PAYLOAD_KEPT: the rest is checked,
 * but not kept. False if the payload is too short or not allowed. */
#ifdef BRAKE
#define LINK_PAYLOAD_KEPT 60 /* gains of the load */
#else
#define LINK_PAYLOAD_KEPT 28 /* limits with four temperatures */
#endif
bool link_received(uint8_t kind, const uint8_t *payload, uint8_t length);

#endif
