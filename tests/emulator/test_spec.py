"""The emulator's bytes against every example of protocol/SPEC.md."""

import pathlib
import re
import struct
import unittest

import wire

SPEC = pathlib.Path(__file__).resolve().parents[2] / "protocol" / "SPEC.md"
KINDS = {
    ("board", "hello"): wire.HELLO,
    ("board", "teeth"): wire.TEETH,
    ("board", "force"): wire.FORCE,
    ("board", "analog"): wire.ANALOG,
    ("board", "temperature"): wire.TEMPERATURE,
    ("board", "status"): wire.STATUS,
    ("board", "cut"): wire.CUT,
    ("host", "heartbeat"): wire.HEARTBEAT,
    ("host", "limits"): wire.LIMITS,
    ("host", "cut"): wire.HOST_CUT,
    ("host", "release"): wire.RELEASE,
    ("host", "identify"): wire.IDENTIFY,
    ("board", "load"): wire.LOAD,
    ("host", "load_map"): wire.LOAD_MAP,
    ("host", "load_gains"): wire.LOAD_GAINS,
    ("host", "load_demand"): wire.LOAD_DEMAND,
    ("host", "load_arm"): wire.LOAD_ARM,
}


def blocks(label):
    """Fenced blocks of that label, as dictionaries of their `key = value` lines."""
    found = []
    for text in re.findall(rf"```{label}\n(.*?)```", SPEC.read_text(encoding="utf-8"), re.S):
        block, key = {}, None
        for line in text.splitlines():
            if line.startswith(" ") and key:
                block[key] += " " + line.strip()
            else:
                key, value = (part.strip() for part in line.split("=", 1))
                block[key] = value
        found.append(block)
    return found


def octets(text):
    return bytes.fromhex(text)


def numbers(text):
    return [int(word) for word in text.split()]


def limits_of(block):
    pairs = tuple(tuple(int(n) for n in p.split("/")) for p in block["temperatures"].split())
    return wire.Limits(
        int(block["tooth_period_ticks_min"]),
        int(block["short_periods_to_cut"]),
        int(block["heartbeat_timeout_ms"]),
        pairs,
    )


def payload_of(kind, block):
    if kind == wire.HELLO:
        return wire.pack_hello(
            int(block["board_id"], 0),
            int(block["boot"]),
            [int(n) for n in block["firmware"].split(".")],
            int(block["tick_hz"]),
            [[int(n) for n in c.split("/")] for c in block["channels"].split()],
        )
    if kind == wire.TEETH:
        return wire.pack_teeth(
            int(block["pickup"]), int(block["first_tooth"]), numbers(block["deltas"])
        )
    if kind in (wire.FORCE, wire.TEMPERATURE):
        return wire.pack_counts(int(block["channel"]), int(block["counts"]))
    if kind == wire.ANALOG:
        return wire.pack_analog(int(block["first_channel"]), numbers(block["counts"]))
    if kind == wire.STATUS:
        head = ("state", "cut_id", "cause", "captures_lost", "receive_errors")
        return wire.pack_status(*(int(block[name]) for name in head), limits_of(block))
    if kind == wire.CUT:
        return wire.pack_cut(int(block["cut_id"]), int(block["cause"]))
    if kind == wire.LIMITS:
        return limits_of(block).pack()
    if kind == wire.HOST_CUT:
        return bytes([int(block["reason"])])
    if kind == wire.RELEASE:
        return int(block["cut_id"]).to_bytes(2, "little")
    if kind in wire.LOAD_LAYOUTS:
        layout, names = wire.LOAD_LAYOUTS[kind]
        return struct.pack(layout, *(n for name in names.split() for n in numbers(block[name])))
    return b""


class SpecExamples(unittest.TestCase):
    def test_check_value_of_the_crc(self):
        self.assertEqual(wire.crc16(b"123456789"), 0x29B1)

    def test_every_example_is_sent_as_written(self):
        examples = blocks("example")
        self.assertGreaterEqual(len(examples), 12)
        for block in examples:
            kind = KINDS[block["direction"], block["kind"]]
            with self.subTest(block["kind"], seq=block["seq"]):
                seq, tick = int(block["seq"]), int(block["tick"])
                sent = wire.encode(kind, seq, tick, payload_of(kind, block))
                self.assertEqual(sent.hex(" "), octets(block["wire"]).hex(" "))

    def test_every_example_is_read_as_written(self):
        for block in blocks("example"):
            with self.subTest(block["kind"], seq=block["seq"]):
                (part,) = wire.Splitter().feed(octets(block["wire"]))
                frame = wire.decode(part)
                self.assertEqual(wire.cobs_decode(part), octets(block["body"]))
                self.assertEqual(frame.seq, int(block["seq"]))
                self.assertEqual(frame.tick, int(block["tick"]))
                if block["kind"] == "limits":
                    self.assertEqual(wire.Limits.unpack(frame.payload), limits_of(block))

    def test_damage_is_refused(self):
        damaged = [b for b in blocks("refused") if b["reason"] in DAMAGE]
        self.assertEqual({b["reason"] for b in damaged}, DAMAGE)
        for block in damaged:
            with self.subTest(block["reason"]), self.assertRaises(wire.Damaged):
                (part,) = wire.Splitter().feed(octets(block["wire"]))
                wire.decode(part)

    def test_what_cobs_does_to_a_body(self):
        table = re.findall(r"^\| `([0-9a-f ]+)` \| `([0-9a-f ]+)` \|$", SPEC.read_text(), re.M)
        self.assertGreaterEqual(len(table), 5)
        for body, sent in table:
            self.assertEqual(wire.cobs_encode(octets(body)) + b"\0", octets(sent))
            self.assertEqual(wire.cobs_decode(octets(sent)[:-1]), octets(body))

    def test_a_stream_is_cut_anywhere(self):
        stream = b"".join(octets(b["wire"]) for b in blocks("example"))
        whole = list(wire.Splitter().feed(stream))
        self.assertEqual(len(whole), len(blocks("example")))
        splitter = wire.Splitter()
        self.assertEqual([p for byte in stream for p in splitter.feed(bytes([byte]))], whole)

    def test_too_long_a_stretch_is_dropped_once(self):
        parts = list(wire.Splitter().feed(b"\1" * 300 + b"\0\1\1\0"))
        self.assertEqual(parts, [None, b"\1\1"])


DAMAGE = {"BadCrc", "BadCobs", "TooShort", "WrongVersion"}

if __name__ == "__main__":
    unittest.main()
