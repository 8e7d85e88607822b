#!/usr/bin/env python3
"""A board on a stand behind a pseudo-terminal, from protocol/SPEC.md alone.

The drum is driven by a known constant torque, so that every figure the host makes of the bytes can
be told beforehand. Orders come on stdin, one a line; what happens goes to stdout, one JSON object a
line. Orders:

    idle             speed up, or slow down, to the idle speed
    pull             from idle at full torque to the end speed, then brake back to idle
    spin RPM         take the drum to that speed at full torque and stay there
    still            brake to standstill
    temperature N    temperature counts from now on
    board-cut        the board cuts for a reason of its own (cause 7)
    flap SECONDS     the board cuts, and forgets it, hundreds of times a second
    restart KIND     the board starts again: power (state running) or watchdog (state cut)
    silent SECONDS   the board stops listening and sending, and its clock goes on
    unplug           the port goes away
    plug             the port comes back, under another name behind the same link
    state            say where everything stands
    quit
"""

import argparse
import fcntl
import json
import math
import os
import pty
import random
import select
import sys
import termios
import time
import tty

import wire

# Linux: reads the settings of a terminal with any baud rate.
TCGETS2 = 0x802C542A

LOOP_S = 0.004
# A real board never waits for a processor. When this program has had to, the world of its stand
# waits too: neither teeth nor heartbeats are late for it.
LOOP_S_MAX = 0.02
STATUS_S = 0.1
FLAP_S = 0.004  # a loose wire: cut and not cut again
TEETH_AGE_S_MAX = 0.012  # the limit is 20 ms, and the loop takes its time
DATA_AGE_S_MAX = 0.08
WAITING_MAX = 200

RPM = math.tau / 60.0


class Drum:
    """Turns by constant accelerations, so that every tooth's time has a closed form."""

    def __init__(self, teeth: int) -> None:
        self.pitch = math.tau / teeth
        self.t = 0.0
        self.omega = 0.0
        self.since_tooth = 0.5 * self.pitch
        self.plan = []  # (acceleration, speed to reach) or ("hold", until)

    def _segment(self):
        """Acceleration now and when it ends."""
        while self.plan:
            kind, value = self.plan[0]
            if kind == "hold":
                self.plan[0] = ("until", self.t + value)
            elif kind == "until":
                if self.t < value:
                    return 0.0, value
                self.plan.pop(0)
            elif callable(value):
                value()
                self.plan.pop(0)
            else:
                left = (value - self.omega) / kind
                if left > 1e-12:
                    return kind, self.t + left
                self.omega = value
                self.plan.pop(0)
        return 0.0, math.inf

    def advance(self, t_end: float):
        """Yields the times of the teeth up to t_end. The plan may be changed in between."""
        while self.t < t_end:
            acceleration, until = self._segment()
            step = min(until, t_end) - self.t
            to_tooth = self._time_to(self.pitch - self.since_tooth, acceleration)
            if to_tooth <= step:
                self._move(to_tooth, acceleration)
                self.since_tooth = 0.0
                yield self.t
            else:
                self._move(step, acceleration)

    def _time_to(self, angle: float, acceleration: float) -> float:
        if acceleration == 0.0:
            return angle / self.omega if self.omega > 0.0 else math.inf
        root = self.omega * self.omega + 2.0 * acceleration * angle
        if root < 0.0:
            return math.inf
        # The form without cancellation.
        return 2.0 * angle / (self.omega + math.sqrt(root))

    def _move(self, step: float, acceleration: float) -> None:
        self.since_tooth += step * (self.omega + 0.5 * acceleration * step)
        self.omega = max(0.0, self.omega + acceleration * step)
        self.t += step


class Port:
    """The board's end of a pseudo-terminal, with a link of a fixed name to the other end."""

    def __init__(self, link: str) -> None:
        self.link = link
        self.master = self.slave = None

    def plug(self) -> str:
        master, slave = pty.openpty()
        tty.setraw(slave, termios.TCSANOW)
        os.set_blocking(master, False)
        self.master, self.slave = master, slave
        path = os.ttyname(slave)
        fresh = self.link + ".new"
        os.symlink(path, fresh)
        os.replace(fresh, self.link)
        return path

    def unplug(self) -> None:
        os.unlink(self.link)
        os.close(self.master)
        os.close(self.slave)
        self.master = self.slave = None

    def read(self) -> bytes:
        if self.master is None:
            return b""
        try:
            return os.read(self.master, 4096)
        except (BlockingIOError, OSError):
            return b""

    def baud(self) -> int:
        """The rate that whoever opened the port has set: c_ospeed of Linux's struct termios2."""
        settings = bytearray(44)
        fcntl.ioctl(self.slave, TCGETS2, settings)
        return int.from_bytes(settings[40:44], sys.byteorder)

    def write(self, data: bytes) -> int:
        """How many of the bytes the line took."""
        try:
            return os.write(self.master, data)
        except (BlockingIOError, OSError):
            return 0


class Board:
    SAMPLES, TEETH, STATUS, CUT = range(4)  # what the line drops first, and last

    def __init__(self, options) -> None:
        self.options = options
        self.random = random.Random(options.seed)
        self.drum = Drum(options.teeth)
        self.port = Port(options.link)
        self.log = open(options.log, "wb", buffering=0) if options.log else None
        self.bytes_sent = 0
        self.started = time.monotonic()
        self.waited = 0.0
        self.splitter = wire.Splitter()
        self.boot = 40
        self.flapping_until = self.flap_due = 0.0
        self.silent_until = 0.0
        self.temperature_counts = options.temperature
        self.host_silent_told = True
        self.quit = False
        self.tail = b""
        drive = options.torque * options.ratio
        self.acceleration = (drive - options.loss - options.brake) / options.inertia
        self.idle = options.idle * RPM
        self.say("port", path=self.port.plug())
        self.begin(wire.CAUSE_RESET if options.start == "watchdog" else 0)

    # What the tests are told.

    def now(self) -> float:
        """Time of the board and its stand, s."""
        return time.monotonic() - self.started - self.waited

    def say(self, event: str, **fields) -> None:
        t = time.monotonic() - self.started
        fields = {"event": event, "t": round(t, 6), "sent": self.bytes_sent, **fields}
        print(json.dumps(fields), flush=True)

    # Start, section 6.

    def begin(self, reset_cause: int) -> None:
        self.boot += 1
        self.tick_zero = self.now()
        self.seq = 0
        self.limits = wire.Limits()
        self.state, self.cut_id, self.cause = 0, 0, 0
        self.receive_errors = 0
        self.heartbeat_t = None
        self.short_periods = 0
        self.tooth_number = self.options.first_tooth
        self.last_tooth_tick = None
        self.teeth = []
        self.teeth_t = 0.0
        self.waiting = []
        self.over_told = False
        self.due = {"status": 0.0, "force": 0.0, "analog": 0.0, "temperature": 0.0}
        if reset_cause:
            self.state, self.cut_id, self.cause = 1, 1, reset_cause
        self.raw(b"\0")
        self.send_hello()
        self.send_status()
        self.say("start", boot=self.boot, state=self.state)

    def tick(self, t: float) -> int:
        return int((t - self.tick_zero) * self.options.tick_hz) + self.options.tick_start

    # Sending.

    def queue(self, rank: int, kind: int, t: float, payload: bytes, first: bool = False) -> None:
        frame = (rank, kind, t, payload)
        if first:
            self.waiting.insert(0, frame)
        else:
            self.waiting.append(frame)

    def raw(self, data: bytes) -> None:
        """Bytes onto the line; what it does not take at once goes first the next time."""
        if self.port.master is None or self.options.mute:
            return
        data = self.tail + data
        taken = self.port.write(data)
        if self.log:
            self.log.write(data[:taken])
        self.bytes_sent += taken
        self.tail = data[taken:]

    def flush(self) -> None:
        if self.tail:
            self.raw(b"")
        while self.waiting and not self.tail and self.port.master is not None:
            rank, kind, t, payload = self.waiting.pop(0)
            if rank <= self.TEETH and self.now() - t > DATA_AGE_S_MAX:
                continue  # too old to go out: it takes no seq
            self.raw(
                wire.encode(kind, self.seq, self.tick(t), payload, self.options.protocol_version)
            )
            self.seq += 1
        if self.port.master is None:
            self.waiting.clear()
        rank = self.SAMPLES
        while len(self.waiting) > WAITING_MAX and rank <= self.STATUS:
            self.waiting = [frame for frame in self.waiting if frame[0] > rank]
            rank += 1

    def send_hello(self) -> None:
        if self.options.no_hello:
            return
        o = self.options
        channels = [
            (wire.CHANNEL_TEETH, 0, 0),
            (wire.CHANNEL_FORCE, 0, 80),
            (wire.CHANNEL_ANALOG, 0, 50),
            (wire.CHANNEL_ANALOG, 1, 50),
            (wire.CHANNEL_TEMPERATURE, 0, 10),
            (wire.CHANNEL_SIMULATED, 0, 0),
        ]
        payload = wire.pack_hello(0xB0A2D0000000E57, self.boot, (0, 9, 1), o.tick_hz, channels)
        self.queue(self.STATUS, wire.HELLO, self.now(), payload)

    def send_status(self) -> None:
        self.due["status"] = self.now() + 0.8 * STATUS_S
        payload = wire.pack_status(
            self.state, self.cut_id, self.cause, 0, self.receive_errors, self.limits
        )
        self.queue(self.STATUS, wire.STATUS, self.now(), payload)

    def flush_teeth(self) -> None:
        if not self.teeth:
            return
        deltas = [b - a for a, b in zip(self.teeth, self.teeth[1:])]
        first = self.tooth_number - len(self.teeth)
        self.queue(self.TEETH, wire.TEETH, self.teeth_t, wire.pack_teeth(0, first, deltas))
        self.teeth = []

    # The cut.

    def cut(self, cause: int, t: float) -> None:
        if self.state == 0:
            self.state = 1
            self.cut_id = self.cut_id % 65535 + 1
            self.cause = cause
            # Status is put in front first, so that the cut ends up before it.
            self.send_status()
            status = self.waiting.pop()
            self.waiting.insert(0, status)
            self.queue(self.CUT, wire.CUT, t, wire.pack_cut(self.cut_id, cause), first=True)
            if not self.options.runs_on:
                self.drum.plan = [(-self.options.braking * RPM, 0.0)]
            self.say("board_cut", cut_id=self.cut_id, cause=cause, rpm=self.drum.omega / RPM)

    def reason_to_cut(self) -> bool:
        short = self.limits.tooth_period_ticks_min and self.short_periods > 0
        return bool(short or self.heartbeat_late() or self.too_hot())

    def heartbeat_late(self) -> bool:
        timeout = self.limits.heartbeat_timeout_ms
        return bool(timeout) and self.now() - self.heartbeat_t > timeout / 1000.0

    def too_hot(self) -> bool:
        return any(c == 0 and self.temperature_counts > m for c, m in self.limits.temperatures)

    # From the host.

    def receive(self, data: bytes) -> None:
        for part in self.splitter.feed(data):
            if self.now() < self.silent_until:
                continue
            try:
                if part is None:
                    raise wire.Damaged("too long")
                self.take(wire.decode(part))
            except (wire.Damaged, wire.Unreadable) as error:
                self.receive_errors += 1
                self.say("receive_error", what=str(error))

    def take(self, frame: wire.Frame) -> None:
        if frame.kind == wire.HEARTBEAT:
            if self.host_silent_told:
                self.host_silent_told = False
                self.say("heartbeat_begins")
            self.heartbeat_t = self.now()
        elif frame.kind == wire.LIMITS:
            limits = wire.Limits.unpack(frame.payload)
            known = tuple(pair for pair in limits.temperatures if pair[0] == 0)
            if limits.heartbeat_timeout_ms and not self.limits.heartbeat_timeout_ms:
                self.heartbeat_t = self.now()
            if not self.options.refuses_limits:
                self.limits = wire.Limits(
                    limits.tooth_period_ticks_min,
                    limits.short_periods_to_cut,
                    limits.heartbeat_timeout_ms,
                    known,
                )
            self.send_status()
            self.say(
                "limits",
                tooth_period_ticks_min=limits.tooth_period_ticks_min,
                short_periods_to_cut=limits.short_periods_to_cut,
                heartbeat_timeout_ms=limits.heartbeat_timeout_ms,
                temperatures=limits.temperatures,
            )
        elif frame.kind == wire.HOST_CUT:
            if len(frame.payload) < 1:
                raise wire.Unreadable("cut without a reason")
            self.say("host_cut", reason=frame.payload[0], rpm=self.drum.omega / RPM)
            if self.options.ignores_cuts or self.state == 1:
                self.send_status()
            else:
                self.cut(wire.CAUSE_HOST, self.now())
        elif frame.kind == wire.RELEASE:
            if len(frame.payload) < 2:
                raise wire.Unreadable("release without a number")
            cut_id = int.from_bytes(frame.payload[:2], "little")
            released = self.state == 1 and cut_id == self.cut_id and not self.reason_to_cut()
            if released:
                self.state = 0
            self.send_status()
            self.say("release", cut_id=cut_id, released=released)
        elif frame.kind == wire.IDENTIFY:
            self.say("identify")
            self.send_hello()
            self.send_status()

    # Sampling.

    def tooth(self, t: float) -> None:
        tick = self.tick(t)
        last, self.last_tooth_tick = self.last_tooth_tick, tick
        if self.teeth and (
            tick - self.teeth[-1] >= wire.DELTA_LIMIT or len(self.teeth) > wire.DELTAS_MAX
        ):
            self.flush_teeth()
        if not self.teeth:
            self.teeth_t = t
        self.teeth.append(tick)
        self.tooth_number += 1
        if last is None:
            return
        period = tick - last
        over_rpm = self.options.tell_over
        if over_rpm and not self.over_told:
            if self.drum.pitch / (period / self.options.tick_hz) > over_rpm * RPM:
                self.over_told = True
                self.flush_teeth()
                self.flush()
                self.say("over", rpm=self.drum.omega / RPM)
        if period < self.limits.tooth_period_ticks_min:
            self.short_periods += 1
            if self.short_periods >= max(1, self.limits.short_periods_to_cut):
                self.cut(wire.CAUSE_OVERSPEED, t)
        else:
            self.short_periods = 0

    def is_due(self, name: str, every: float, t: float) -> bool:
        if t < self.due[name]:
            return False
        self.due[name] = max(self.due[name] + every, t - every)
        return True

    def sample(self, t: float) -> None:
        for tooth_t in self.drum.advance(t):
            self.tooth(tooth_t)
        if self.teeth and t - self.teeth_t > TEETH_AGE_S_MAX:
            self.flush_teeth()
        if self.is_due("force", 1 / 80, t):
            # A converter that never changes would be a broken one.
            counts = self.options.force + self.random.randint(-3, 3)
            self.queue(self.SAMPLES, wire.FORCE, t, wire.pack_counts(0, counts))
        if self.is_due("analog", 1 / 50, t):
            self.queue(self.SAMPLES, wire.ANALOG, t, wire.pack_analog(0, self.options.analog))
        if self.is_due("temperature", 1 / 10, t):
            counts = wire.pack_counts(0, self.temperature_counts)
            self.queue(self.SAMPLES, wire.TEMPERATURE, t, counts)
            if self.too_hot():
                self.cut(wire.CAUSE_TEMPERATURE, t)
        if self.heartbeat_late():
            self.cut(wire.CAUSE_HEARTBEAT, t)
        heard = self.heartbeat_t if self.heartbeat_t is not None else -math.inf
        if not self.host_silent_told and t - heard > 1.5:
            self.host_silent_told = True
            self.say("heartbeat_ends")
        if self.flap_due <= t < self.flapping_until:
            self.flap_due = t + FLAP_S
            if self.state == 0:
                self.cut(wire.CAUSE_OTHER, t)
            else:
                self.state = 0
                self.send_status()
        if t >= self.due["status"]:
            self.send_status()

    # Orders.

    def order(self, line: str) -> None:
        word, *rest = line.split() or [""]
        o, drum = self.options, self.drum
        tell = lambda event: ("call", lambda: self.say(event, rpm=drum.omega / RPM))
        if word in ("idle", "pull", "spin") and self.state == 1 and not o.runs_on:
            self.say("engine_is_cut")
            return
        if word in ("idle", "pull"):
            up = drum.omega < self.idle
            rate = self.acceleration if up else -o.braking * RPM
            drum.plan = [(rate, self.idle), tell("idle")]
        if word == "pull":
            drum.plan += [
                ("hold", o.hold),
                tell("pull_begins"),
                (self.acceleration, o.end * RPM),
                tell("pull_peak"),
                (-o.braking * RPM, self.idle),
                tell("pull_ends"),
            ]
        elif word == "spin":
            target = float(rest[0]) * RPM
            rate = self.acceleration if target > drum.omega else -o.braking * RPM
            drum.plan = [(rate, target), tell("spinning")]
        elif word == "turn":  # by hand, whatever the engine may do
            drum.plan = [(self.acceleration, float(rest[0]) * RPM), tell("spinning")]
        elif word == "still":
            drum.plan = [(-o.braking * RPM, 0.0), tell("still")]
        elif word == "temperature":
            self.temperature_counts = int(rest[0])
        elif word == "board-cut":
            self.cut(wire.CAUSE_OTHER, self.now())
        elif word == "flap":
            self.flapping_until = self.now() + float(rest[0])
        elif word == "restart":
            self.tail = b""
            o.tick_start = o.first_tooth = 0
            self.begin(wire.CAUSE_RESET if rest == ["watchdog"] else 0)
        elif word == "silent":
            self.silent_until = self.now() + float(rest[0])
        elif word == "unplug":
            self.port.unplug()
            self.tail = b""
            self.waiting.clear()
            self.say("unplugged")
        elif word == "plug":
            self.splitter = wire.Splitter()
            self.host_silent_told = True
            self.say("port", path=self.port.plug())
        elif word == "state":
            self.say("state", state=self.state, cut_id=self.cut_id, rpm=drum.omega / RPM)
        elif word == "quit":
            self.quit = True
        elif word not in ("idle", ""):
            self.say("unknown_order", line=line)

    # The loop.

    def run(self) -> None:
        stdin = sys.stdin.fileno()
        os.set_blocking(stdin, False)
        orders = b""
        t = self.now()
        while not self.quit:
            ready = [stdin] + ([self.port.master] if self.port.master is not None else [])
            readable, _, _ = select.select(ready, [], [], LOOP_S)
            self.waited += max(0.0, self.now() - t - LOOP_S_MAX)
            if stdin in readable:
                data = os.read(stdin, 4096)
                if not data:
                    return  # whoever gave the orders is gone
                *lines, orders = (orders + data).split(b"\n")
                for line in lines:
                    self.order(line.decode())
            came = self.port.read()
            t = self.now()
            if self.options.baud and self.port.master is not None and self.port.baud() != self.options.baud:
                # Neither end makes anything of what the other sends.
                self.drum.t = t
                self.raw(bytes(self.random.randrange(256) for _ in range(40)))
                self.tail = b""
                continue
            self.receive(came)
            if t < self.silent_until:
                self.drum.t = t
                continue
            if self.options.noise:
                self.raw(bytes(self.random.randrange(256) for _ in range(40)))
                self.tail = b""
                continue
            if self.options.text:
                self.raw(b"rpm 1234 torque 5.6\r\n")
                self.tail = b""
                continue
            self.sample(t)
            if self.options.garbage and not self.tail and self.random.random() < 0.05:
                count = self.random.randrange(1, 60)
                self.raw(bytes(self.random.randrange(256) for _ in range(count)) + b"\0")
            self.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    add = parser.add_argument
    add("--link", required=True, help="where to put the link to the port")
    add("--log", help="file for the bytes that went out")
    add("--seed", type=int, default=1)
    add("--teeth", type=int, default=8)
    add("--tick-hz", type=int, default=2_000_000)
    add("--tick-start", type=int, default=0, help="as if the board had run for a while")
    add("--first-tooth", type=int, default=0)
    add("--start", choices=("power", "watchdog"), default="power")
    add("--inertia", type=float, default=2.0, help="all of it, at the drum, kg m^2")
    add("--ratio", type=float, default=5.0, help="engine turns per drum turn")
    add("--torque", type=float, default=12.0, help="of the engine, N m")
    add("--loss", type=float, default=2.0, help="at the drum, N m")
    add("--brake", type=float, default=0.0, help="taken by a brake at the drum, N m")
    add("--idle", type=float, default=500.0, help="drum, rpm")
    add("--end", type=float, default=1250.0, help="of a pull, drum, rpm")
    add("--hold", type=float, default=0.5, help="at idle before a pull, s")
    add("--braking", type=float, default=600.0, help="rpm/s")
    add("--force", type=int, default=0, help="counts")
    add("--analog", type=int, nargs=2, default=[2048, -5])
    add("--temperature", type=int, default=400, help="counts")
    add("--tell-over", type=float, help="say when a tooth beyond this drum speed went out, rpm")
    add("--no-hello", action="store_true")
    add("--mute", action="store_true", help="not a byte, ever")
    add("--protocol-version", type=int, default=wire.VERSION)
    add("--garbage", action="store_true", help="random bytes between the frames")
    add("--baud", type=int, help="the one rate at which the port carries more than noise")
    add("--noise", action="store_true", help="random bytes only, as at a wrong baud rate")
    add("--text", action="store_true", help="lines of text only")
    add("--ignores-cuts", action="store_true", help="the host's cuts have no effect")
    add("--runs-on", action="store_true", help="the engine runs on after a cut")
    add("--refuses-limits", action="store_true")
    Board(parser.parse_args()).run()


if __name__ == "__main__":
    main()
