/* The serial line, byte by byte. Nothing in here waits. Inline: half of what the chip has to do is bytes. */
#ifndef SERIAL_H
#define SERIAL_H

#include "chip.h"

/* Powers of two, so that wrapping is a mask. At 500,000 baud either lasts 1.3 ms. */
#define LINE_BYTES 64
#define LINE_NEXT(i) ((uint8_t)((i) + 1) & (LINE_BYTES - 1))

extern volatile uint8_t sent[LINE_BYTES], sent_head, sent_tail;
extern volatile uint8_t got[LINE_BYTES], got_head, got_tail;

/* At BAUD, 8N1. Sends a zero, which ends whatever the start put on the line. */
void serial_start(void);

/* Sends bytes as long as there is room for them, and `next` gives one. */
static inline __attribute__((always_inline)) void serial_send(bool (*next)(uint8_t *byte))
{
    uint8_t head = sent_head, byte;
    while (LINE_NEXT(head) != sent_tail && next(&byte)) {
        sent[head] = byte;
        head = LINE_NEXT(head);
        sent_head = head;
        UCSR0B |= _BV(UDRIE0);
    }
}

/* The next byte that came; false if none has. One for which there was no room is lost, and the CRC of
 * its frame will tell. */
static inline bool serial_get(uint8_t *byte)
{
    uint8_t tail = got_tail;
    if (tail == got_head)
        return false;
    *byte = got[tail];
    got_tail = LINE_NEXT(tail);
    return true;
}

#endif
