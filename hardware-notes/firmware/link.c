#include "link.h"

#include "chip.h"
#include "serial.h"

#define VERSION 1
#define HEADER_BYTES 8
#define CRC_BYTES 2
#define BODY_BYTES_MIN (HEADER_BYTES + CRC_BYTES)
#define BODY_BYTES_MAX 253
#define SEGMENT_BYTES_MAX 254
#define DELIMITER 0

#define CRC_INITIAL 0xFFFF

uint32_t receive_errors;

/* ---- Sending ----------------------------------------------------------------------------- */

/* A zero before the body stands for the first code byte as every other zero stands for its own. */
static uint8_t body[1 + BODY_BYTES_MAX];
static uint8_t body_length; /* that zero included */
static uint16_t body_crc;
static uint16_t next_seq;

/* How far COBS has come. */
static uint8_t body_sent;
static uint8_t body_scanned; /* no zero between the run being sent, or looked for, and here */
static uint8_t run_left;     /* bytes of the run after the last code byte */
static bool sending, complete;

void frame_u8(uint8_t value)
{
    /* Callers keep within the longest payload; a mistake must not write elsewhere. */
    if (body_length == sizeof body)
        return;
    body[body_length++] = value;
    body_crc = crc_add(body_crc, value);
}

void frame_u16(uint16_t value)
{
    frame_u8(value);
    frame_u8(value >> 8);
}

void frame_u32(uint32_t value)
{
    frame_u16(value);
    frame_u16(value >> 16);
}

void frame_begin(enum kind kind, uint32_t tick)
{
    body_length = 1;
    body_crc = CRC_INITIAL;
    body_sent = 0;
    body_scanned = 1;
    run_left = 0;
    complete = false;
    sending = true;
    frame_u8(VERSION);
    frame_u8(kind);
    frame_u16(next_seq++);
    frame_u32(tick);
}

void frame_end(void)
{
    frame_u16(body_crc);
    complete = true;
    link_send();
}

/* At a zero: whether the run after it is known to its end. */
static bool run_is_known(void)
{
    while (body_scanned < body_length && body[body_scanned])
        body_scanned++;
    return complete || body_scanned < body_length;
}

/* The next byte for the line; false if there is none, or it is not known yet. */
static bool next_byte(uint8_t *byte)
{
    if (!sending)
        return false;
    if (run_left) {
        run_left--;
        *byte = body[body_sent++];
        return true;
    }
    if (body_sent == body_length) {
        sending = false;
        *byte = DELIMITER;
        return true;
    }
    if (!run_is_known())
        return false;
    body_sent++; /* the zero that the code byte stands for */
    run_left = body_scanned - body_sent;
    body_scanned++;
    *byte = run_left + 1;
    return true;
}

void link_send(void)
{
    serial_send(next_byte);
}

bool link_is_free(void)
{
    return !sending;
}

/* ---- Receiving --------------------------------------------------------------------------- */

/* A body is checked as it comes, and only its beginning kept: a frame may be longer than what this
 * firmware knows of it. */
static uint8_t kept[HEADER_BYTES + LINK_PAYLOAD_KEPT];
static uint8_t segment_bytes;  /* since the delimiter */
static uint8_t body_bytes;     /* decoded */
static uint8_t until_code;     /* bytes to the next code byte, that one included */
static bool zero_due;          /* a zero belongs before the next code byte's run */
static bool too_long;
static uint16_t got_crc;       /* of all but the last two bytes */
static uint8_t held[CRC_BYTES]; /* those two */

static void segment_begin(void)
{
    segment_bytes = 0;
    body_bytes = 0;
    until_code = 1;
    zero_due = false;
    too_long = false;
    got_crc = CRC_INITIAL;
}

static void body_byte(uint8_t byte)
{
    if (body_bytes >= CRC_BYTES)
        got_crc = crc_add(got_crc, held[0]);
    held[0] = held[1];
    held[1] = byte;
    if (body_bytes < sizeof kept)
        kept[body_bytes] = byte;
    body_bytes++;
}

static bool is_known(uint8_t kind)
{
#ifdef BRAKE
    return kind >= KIND_HEARTBEAT && kind <= KIND_LOAD_ARM;
#else
    return kind >= KIND_HEARTBEAT && kind <= KIND_IDENTIFY;
#endif
}

static void segment_end(void)
{
    bool sound = !too_long && until_code == 1 && body_bytes >= BODY_BYTES_MIN &&
                 got_crc == (uint16_t)(held[1] << 8 | held[0]) && kept[0] == VERSION;
    if (!sound) {
        receive_errors++;
        return;
    }
    uint8_t kind = kept[1];
    if (is_known(kind) && !link_received(kind, kept + HEADER_BYTES, body_bytes - BODY_BYTES_MIN))
        receive_errors++;
}

static void take(uint8_t byte)
{
    if (byte == DELIMITER) {
        if (segment_bytes)
            segment_end();
        segment_begin();
        return;
    }
    if (segment_bytes == SEGMENT_BYTES_MAX) {
        too_long = true;
        return;
    }
    segment_bytes++;
    if (--until_code == 0) {
        if (zero_due)
            body_byte(0);
        until_code = byte;
        zero_due = byte != UINT8_MAX;
    } else {
        body_byte(byte);
    }
}

/* At most so many bytes at once: however much comes, teeth and guards get their turn. */
#define RECEIVE_AT_ONCE 16

void link_receive(void)
{
    uint8_t byte;
    for (uint8_t n = 0; n < RECEIVE_AT_ONCE && serial_get(&byte); n++)
        take(byte);
}

/* ------------------------------------------------------------------------------------------ */

void link_start(void)
{
    segment_begin();
    serial_start();
}
