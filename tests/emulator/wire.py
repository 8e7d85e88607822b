"""The board protocol as protocol/SPEC.md gives it: frames, payloads, and nothing else.

Written from that text alone, with the standard library alone, so that it checks the text too.
"""

import struct
from dataclasses import dataclass, field

VERSION = 1
BODY_BYTES_MIN = 10
WIRE_BYTES_MAX = 254  # before the delimiter

# From the board.
HELLO, TEETH, FORCE, ANALOG, TEMPERATURE, STATUS, CUT, LOAD = range(1, 9)
# From the host.
HEARTBEAT, LIMITS, HOST_CUT, RELEASE, IDENTIFY = range(0x81, 0x86)
LOAD_MAP, LOAD_GAINS, LOAD_DEMAND, LOAD_ARM = range(0x86, 0x8A)

# Messages about the load: layout, and the fields in their order.
LOAD_LAYOUTS = {
    LOAD: ("<H5B5i", "settings mode is_armed is_saturated why backed_off output torque speed reference engine"),
    LOAD_MAP: ("<H8H8H8H", "settings speeds torques outputs"),
    LOAD_GAINS: (
        "<3HIH2IH2I2i5IH",
        "settings teeth window_teeth inertia firmness hold approach lead lag slew output_min output_max"
        " stall speed_max engine_max torque_slew follow follow_steps",
    ),
    LOAD_DEMAND: ("<B3i", "mode target rate square"),
    LOAD_ARM: ("<B", "is_armed"),
}

# Kinds of channels in a hello.
CHANNEL_TEETH, CHANNEL_FORCE, CHANNEL_ANALOG, CHANNEL_TEMPERATURE = range(1, 5)
# No input, but the word that the board is simulated.
CHANNEL_SIMULATED = 255

CAUSE_HOST, CAUSE_OVERSPEED, CAUSE_HEARTBEAT, CAUSE_TEMPERATURE = range(1, 5)
CAUSE_SELF_TEST, CAUSE_RESET, CAUSE_OTHER = range(5, 8)

DELTA_LIMIT = 1 << 16
DELTAS_MAX = 119
BROKEN_SENSOR = 2_147_483_647


class Damaged(Exception):
    """Bytes between two delimiters that are no frame."""


class Unreadable(Exception):
    """A payload that breaks the layout of its kind."""


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740, bit by bit."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def cobs_encode(body: bytes) -> bytes:
    """For bodies of at most 253 bytes: the distance to the next zero in front of each run."""
    out = bytearray()
    for run in body.split(b"\0"):
        out.append(len(run) + 1)
        out += run
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    runs = []
    at = 0
    while at < len(data):
        end = at + data[at]
        if end > len(data):
            raise Damaged("a code points past the end")
        runs.append(data[at + 1 : end])
        at = end
    return b"\0".join(runs)


def encode(kind: int, seq: int, tick: int, payload: bytes = b"", version: int = VERSION) -> bytes:
    """A frame as it goes over the wire, delimiter included."""
    body = struct.pack("<BBHI", version, kind, seq & 0xFFFF, tick & 0xFFFFFFFF) + payload
    body += struct.pack("<H", crc16(body))
    return cobs_encode(body) + b"\0"


@dataclass(frozen=True)
class Frame:
    kind: int
    seq: int
    tick: int
    payload: bytes


def decode(data: bytes) -> Frame:
    """What is between two delimiters, as a frame; raises Damaged."""
    if len(data) > WIRE_BYTES_MAX:
        raise Damaged("too long")
    body = cobs_decode(data)
    if len(body) < BODY_BYTES_MIN:
        raise Damaged("too short")
    if struct.unpack("<H", body[-2:])[0] != crc16(body[:-2]):
        raise Damaged("wrong CRC")
    version, kind, seq, tick = struct.unpack("<BBHI", body[:8])
    if version != VERSION:
        raise Damaged(f"version {version}")
    return Frame(kind, seq, tick, body[8:-2])


class Splitter:
    """Cuts a stream at its delimiters."""

    def __init__(self) -> None:
        self._pending = bytearray()
        self._too_long = False

    def feed(self, data: bytes):
        """Yields each stretch between delimiters; None for one that was too long to keep."""
        for byte in data:
            if byte == 0:
                if self._too_long:
                    yield None
                elif self._pending:
                    yield bytes(self._pending)
                self._pending.clear()
                self._too_long = False
            elif len(self._pending) < WIRE_BYTES_MAX:
                self._pending.append(byte)
            else:
                self._too_long = True


@dataclass(frozen=True)
class Limits:
    tooth_period_ticks_min: int = 0
    short_periods_to_cut: int = 0
    heartbeat_timeout_ms: int = 0
    temperatures: tuple = field(default=())  # (channel, counts_max)

    def pack(self) -> bytes:
        out = struct.pack(
            "<IBHB",
            self.tooth_period_ticks_min,
            self.short_periods_to_cut,
            self.heartbeat_timeout_ms,
            len(self.temperatures),
        )
        for channel, counts_max in self.temperatures:
            out += struct.pack("<Bi", channel, counts_max)
        return out

    @classmethod
    def unpack(cls, payload: bytes) -> "Limits":
        if len(payload) < 8:
            raise Unreadable("limits are too short")
        period, short, timeout, n = struct.unpack("<IBHB", payload[:8])
        if n > 4 or len(payload) < 8 + 5 * n:
            raise Unreadable("limits of that many temperatures")
        pairs = tuple(struct.unpack_from("<Bi", payload, 8 + 5 * i) for i in range(n))
        return cls(period, short, timeout, pairs)


def pack_hello(board_id: int, boot: int, firmware, tick_hz: int, channels) -> bytes:
    out = struct.pack("<QH3BIB", board_id, boot, *firmware, tick_hz, len(channels))
    for kind, number, rate_hz in channels:
        out += struct.pack("<BBH", kind, number, rate_hz)
    return out


def pack_teeth(pickup: int, first_tooth: int, deltas) -> bytes:
    return struct.pack(f"<BI{len(deltas)}H", pickup, first_tooth & 0xFFFFFFFF, *deltas)


def pack_counts(channel: int, counts: int) -> bytes:
    """Payload of force and of temperature."""
    return struct.pack("<Bi", channel, counts)


def pack_analog(first_channel: int, counts) -> bytes:
    return struct.pack(f"<B{len(counts)}h", first_channel, *counts)


def pack_status(state, cut_id, cause, captures_lost, receive_errors, limits: Limits) -> bytes:
    head = struct.pack("<BHBII", state, cut_id, cause, captures_lost, receive_errors)
    return head + limits.pack()


def pack_cut(cut_id: int, cause: int) -> bytes:
    return struct.pack("<HB", cut_id, cause)
