"""A simulated board to test: the firmware in the simulator, read by the project's own decoder.

Which board is in the environment's BOARD. Times are sixteenths of a microsecond, "cycles": the ATmega328P's clock, and
three to one the RP2040's. Host frames are made here, independently of the Rust code,
as section 11 of protocol/SPEC.md shows.
"""

import binascii
import json
import math
import os
import random
import struct
import subprocess
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
OUT = ROOT / "target" / "firmware" / os.environ.get("BOARD", "atmega328p")
TOOLS = ROOT / "target" / "firmware"
FIRMWARE = ROOT / "hardware-notes" / "firmware"
SIMULATOR = HERE / "rp2040" / "board_simulator.mjs" if os.environ.get("BOARD") == "rp2040" else TOOLS / "board_simulator"

CLOCK_HZ = 16_000_000
CYCLES_PER_MS = CLOCK_HZ // 1000

BOARD = os.environ.get("BOARD", "atmega328p")
IS_RP2040 = BOARD == "rp2040"
if BOARD not in ("atmega328p", "rp2040"):
    raise SystemExit(f"BOARD: expected atmega328p or rp2040, found {BOARD}")

CYCLES_PER_TICK = 1 if IS_RP2040 else 8
TICK_HZ = CLOCK_HZ // CYCLES_PER_TICK
# Edges can be placed at multiples of this.
EDGE_CYCLES = 1 / 3 if IS_RP2040 else 1
# Analog channels, and what they read: counts at a voltage in mV.
ANALOG_CHANNELS, FULL_COUNTS, FULL_MILLIVOLT = (3, 4096, 3300) if IS_RP2040 else (4, 1024, 5000)
STORAGE_BYTES = 3 * 4096 if IS_RP2040 else 1024

# Why the chip starts: the ATmega328P's MCUSR. An RP2040 takes a brown-out for a power-on.
POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8

HEARTBEAT, LIMITS, CUT, RELEASE, IDENTIFY = 0x81, 0x82, 0x83, 0x84, 0x85

# The first extended tick of the decoder.
TICK_ORIGIN = 1 << 32


def ms(milliseconds):
    return round(milliseconds * CYCLES_PER_MS)


def half_us(count):
    """So many half microseconds, in ticks."""
    return count * TICK_HZ // 2_000_000


def us(cycles):
    return cycles / (CLOCK_HZ / 1e6)


def cobs(body):
    """Consistent overhead byte stuffing of a body of at most 253 bytes."""
    return b"".join(bytes([len(run) + 1]) + run for run in body.split(b"\0"))


def frame(kind, seq=0, tick=0, payload=b"", version=1, crc_change=0):
    body = struct.pack("<BBHI", version, kind, seq, tick) + payload
    body += struct.pack("<H", binascii.crc_hqx(body, 0xFFFF) ^ crc_change)
    return cobs(body) + b"\0"


def limits_payload(period=0, short=0, heartbeat_ms=0, temperatures=(), n=None):
    n = len(temperatures) if n is None else n
    head = struct.pack("<IBHB", period, short, heartbeat_ms, n)
    return head + b"".join(struct.pack("<Bi", *limit) for limit in temperatures)


def make(directory):
    return ["make", "-s", "-C", str(FIRMWARE), f"BOARD={BOARD}", f"BUILD={directory}"]


def build(name, settings="", *more):
    """Builds the firmware with these settings; gives the path of its image."""
    directory = OUT / name
    directory.mkdir(parents=True, exist_ok=True)
    board_id = directory / "board_id"
    if not board_id.exists():
        board_id.write_text("0123456789abcdef")
    subprocess.run([*make(directory), f"SETTINGS={settings}", *more], check=True)
    return directory / "firmware.bin"


def symbol(image, name):
    """Address in data memory of a variable."""
    listing = subprocess.run(
        ["arm-none-eabi-nm" if IS_RP2040 else "avr-nm", str(image.with_suffix(".elf"))], check=True, capture_output=True, text=True
    ).stdout
    for line in listing.splitlines():
        address, _, found = line.split()[-3:]
        if found == name:
            return int(address, 16) & (0xFFFFFFFF if IS_RP2040 else 0xFFFF)
    raise KeyError(name)


class Board:
    """One simulated board, its host's side of the line, and everything that came from it."""

    def __init__(self, image, baud=500_000, start=None, eeprom=None):
        self.image, self.baud = image, baud
        self.simulator = subprocess.Popen(
            self.program(),
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        decoder = str(ROOT / "target" / "debug" / "examples" / "decode_stdin")
        self.decoder = subprocess.Popen(
            [decoder], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.cycle = 0
        self.edges = [[], []]
        self.pin = []
        self.converted = []
        self.resets = []
        self.readings = []
        self.wire = b""
        self.seq = 0
        self.to_send = []
        self.heartbeat_due = None
        if eeprom:
            self.command(f"eeprom 0 {eeprom.hex()}")
        if start is not None:
            self.command(f"reset {start}")

    def program(self):
        return [str(SIMULATOR), str(self.image), str(self.baud)]

    def __enter__(self):
        return self

    def __exit__(self, kind, value, trace):
        self.simulator.stdin.close()
        self.simulator.wait(10)
        self.decoder.stdin.close()
        counters = json.loads(self.decoder.stdout.read())["counters"]
        self.decoder.wait(10)
        if kind is None:
            self.check_link(counters)

    def check_link(self, counters):
        """Every byte of every test is part of a sound frame with its right number."""
        assert counters["bytes_received"] == len(self.wire), counters
        if self.resets[1:]:
            return  # frames under way are lost with a reset
        assert counters["bytes_discarded"] == 0, counters
        for fault in ("unknown_kind", "bad_payload", "frames_lost", "duplicates", "reordered"):
            assert counters[fault] == 0, counters

    # ---- The simulator ---------------------------------------------------------------------

    def command(self, text):
        self.simulator.stdin.write(text + "\n")
        self.simulator.stdin.flush()
        answer = []
        for line in self.simulator.stdout:
            word, *rest = line.split()
            if word == "ok":
                return answer
            if word == "error":
                raise RuntimeError(f"simulator, after {text[:80]!r}: {line}")
            if not self.event(word, rest):
                answer.append((word, rest))
        raise RuntimeError(f"simulator ended after {text[:80]!r}")

    def event(self, word, rest):
        if word == "edge":
            self.edges[int(rest[0])].append(float(rest[1]) if "." in rest[1] else int(rest[1]))
        elif word == "sent":
            self.decode(int(rest[0]), rest[1])
        elif word == "run_pin":
            self.pin.append((int(rest[0]), rest[1] == "1"))
        elif word == "converted":
            self.converted.append((int(rest[0]), int(rest[1])))
        elif word == "reset":
            self.resets.append(int(rest[0]))
        else:
            return False
        return True

    def decode(self, cycle, hex_bytes):
        self.wire += bytes.fromhex(hex_bytes)
        self.decoder.stdin.write(f"{round(us(cycle))} {hex_bytes}\n")
        self.decoder.stdin.flush()
        while line := self.decoder.stdout.readline().strip():
            reading = json.loads(line)
            reading["cycle"] = cycle
            self.readings.append(reading)

    def run(self, milliseconds=0, until=None):
        """Runs on, sending what was given and heartbeats if they are on."""
        until = self.cycle + ms(milliseconds) if until is None else until
        if self.heartbeat_due is not None:
            while self.heartbeat_due < until:
                self.send(HEARTBEAT, at=self.heartbeat_due)
                self.heartbeat_due += ms(50)
        now = [item for item in self.to_send if item[0] < until]
        self.to_send = [item for item in self.to_send if item[0] >= until]
        for cycle, data in sorted(now, key=lambda item: item[0]):
            self.command(f"receive {cycle} {data.hex()}")
        self.command(f"run {until}")
        self.cycle = until

    def edges_at(self, pickup, cycles):
        for start in range(0, len(cycles), 10_000):
            part = " ".join(f"{round(cycle / EDGE_CYCLES) * EDGE_CYCLES:.4f}" if IS_RP2040 else str(round(cycle)) for cycle in cycles[start : start + 10_000])
            self.command(f"edges {pickup} {part}")

    def teeth(self, rate_hz, milliseconds, start=None, pickup=0):
        """Evenly spaced edges from now on; gives the time after the last."""
        start = self.cycle + ms(1) if start is None else start
        count = round(rate_hz * milliseconds / 1000)
        self.edges_at(pickup, [start + n * CLOCK_HZ / rate_hz for n in range(count)])
        return start + count * CLOCK_HZ // rate_hz

    def reset(self, flags):
        self.command(f"reset {flags}")

    def measures(self):
        return {name: int(value) for name, (value,) in self.command("measures")}

    def peek(self, address, count):
        return bytes.fromhex(self.command(f"peek {address} {count}")[0][1][0])

    def poke(self, name, value):
        self.command(f"poke {symbol(self.image, name)} {value.hex()}")

    def shift_ticks(self, by):
        """Changes what the board takes for now by so many ticks; an ATmega328P's by multiples of 65,536, and an
        RP2040 whose drum turns by multiples of 2^24."""
        name, size, change = ("ticks_origin", 4, -by) if IS_RP2040 else ("ticks_high", 2, by >> 16)
        now = int.from_bytes(self.peek(symbol(self.image, name), size), "little")
        self.poke(name, ((now + change) % 256**size).to_bytes(size, "little"))
        for schedule in ("status_schedule", "analog_schedule", "temperature_schedule"):
            due = int.from_bytes(self.peek(symbol(self.image, schedule), 4), "little")
            self.poke(schedule, ((due + by) % 2**32).to_bytes(4, "little"))

    def eeprom(self, address, count):
        return bytes.fromhex(self.command(f"eeprom_peek {address} {count}")[0][1][0])

    # ---- The host --------------------------------------------------------------------------

    def send_bytes(self, data, at=None):
        self.to_send.append((self.cycle if at is None else at, data))

    def send(self, kind, payload=b"", at=None):
        at = self.cycle if at is None else at
        self.send_bytes(self.message(kind, self.seq & 0xFFFF, at // CYCLES_PER_MS, payload), at)
        self.seq += 1

    def message(self, kind, seq, tick, payload):
        return frame(kind, seq, tick, payload)

    def heartbeats(self, on=True):
        self.heartbeat_due = self.cycle if on else None

    def limits(self, **what):
        self.send(LIMITS, limits_payload(**what))

    def connect(self, release=True, **what):
        """Waits for the start, then does what a host does: identify, heartbeats, limits."""
        self.run(60)
        self.send(IDENTIFY)
        self.heartbeats()
        what.setdefault("heartbeat_ms", 250)
        self.limits(**what)
        self.run(20)
        if release and self.status()["cut"]:
            self.release()

    def release(self, cut_id=None):
        cut_id = self.status()["cut_id"] if cut_id is None else cut_id
        self.send(RELEASE, struct.pack("<H", cut_id))
        self.run(10)

    # ---- What came -------------------------------------------------------------------------

    def of_kind(self, kind, since=0):
        return [r for r in self.readings if r.get("kind") == kind and r["cycle"] >= since]

    def faults(self):
        return [r["fault"] for r in self.readings if "fault" in r]

    def status(self):
        return self.of_kind("status")[-1]

    def is_running(self):
        """The pin, which must never disagree with the latest status for long."""
        return bool(self.pin) and self.pin[-1][1]

    def cut_after(self, cycle):
        """Cycle at which the pin fell, the first time after that cycle."""
        return next((at for at, level in self.pin if at >= cycle and not level), None)

    def tooth_times(self, pickup=0):
        """(number, tick) of every recorded tooth."""
        times = []
        for reading in self.of_kind("teeth"):
            if reading["pickup"] == pickup:
                numbered = enumerate(reading["ticks"], reading["first_tooth"])
                times += [(number, tick - TICK_ORIGIN) for number, tick in numbered]
        return times


class TextBoard(Board):
    """The text sketch, run on this machine. The host's side of the line is text as well."""

    WORDS = {HEARTBEAT: "heartbeat", CUT: "cut", RELEASE: "release", IDENTIFY: "identify"}

    def __init__(self):
        super().__init__(None, baud=115_200)

    def program(self):
        return [str(TOOLS / "text_board")]

    def message(self, kind, seq, tick, payload):
        numbers = "".join(f" {n}" for n in struct.unpack(f"<{'H' if len(payload) == 2 else len(payload) * 'B'}", payload))
        text = f"{self.WORDS[kind]} {seq} {tick}{numbers}"
        return f"{text}*{binascii.crc_hqx(text.encode(), 0xFFFF):04x}\n".encode()


def tick_error(edges, times):
    """Greatest error of recorded times, in ticks.

    A counter that started at cycle s shows (c - s) // CYCLES_PER_TICK at cycle c. Only s is not known: it is
    the same for all teeth, so the values of c - CYCLES_PER_TICK tick lie within a tick of each other.
    """
    offsets = [edges[number] - CYCLES_PER_TICK * tick for number, tick in times]
    spread = max(offsets) - min(offsets)
    return max(0, math.ceil((spread - (CYCLES_PER_TICK - EDGE_CYCLES) - 0.01) / CYCLES_PER_TICK))


def ramp(start_hz, end_hz, seconds, start):
    """Edges of a rate that rises evenly."""
    cycles, at, rate = [], 0.0, start_hz
    while at < seconds:
        cycles.append(start + at * CLOCK_HZ)
        rate = start_hz + (end_hz - start_hz) * at / seconds
        at += 1 / rate
    return cycles


def seeded(name):
    """Random numbers that are the same in every run."""
    return random.Random(name)
