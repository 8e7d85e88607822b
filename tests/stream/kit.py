"""What the tests of streaming and of the journal share: a daemon on a simulated stand, and points
as lines."""

import concurrent.futures
import contextlib
import json
import os
import random
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
import traceback
import urllib.error
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
DEMO = ROOT / "daemon/src/rehearsal/demo.toml"


def free_port():
    """A port that nothing listens on, below those that the system gives to clients: other tests make thousands of these."""
    while True:
        with socket.socket() as listener:
            with contextlib.suppress(OSError):
                port = random.randrange(10_000, 32_000)
                listener.bind(("127.0.0.1", port))
                return port


def program():
    """The program under test, built when the environment names none."""
    if given := os.environ.get("LEVERARM"):
        return Path(given)
    if built := os.environ.get("LEVERARM_BUILT"):
        return Path(built) / "leverarm"
    # As tests/all builds: nothing is built twice.
    build = ["cargo", "build", "--quiet", "--locked", "--workspace", "--bins", "--tests", "--examples"]
    printed = subprocess.run([*build, "--message-format=json"], cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout
    for line in printed.splitlines():
        message = json.loads(line)
        target = message.get("target", {})
        if message.get("executable") and target["name"] == "leverarm" and not message["profile"]["test"]:
            return Path(message["executable"])
    raise RuntimeError("cargo built no program")


class Checks:
    """Runs checks, some at a time, and counts. Most of the time they wait for something."""

    def __init__(self, at_once=1):
        self.passed = self.failed = 0
        self.pool = concurrent.futures.ThreadPoolExecutor(at_once)
        self.running = []

    def run(self, title, check, *arguments):
        self.running.append(self.pool.submit(self.one, title, check, *arguments))

    def one(self, title, check, *arguments):
        began = time.monotonic()
        try:
            told = check(*arguments)
        except Exception as error:  # a check that breaks is a check that failed
            took = time.monotonic() - began
            print(f"{title} ... FAILED ({took:.0f} s)\n  {type(error).__name__}: {error}", flush=True)
            traceback.print_exc(file=sys.stdout)
            return False
        took = time.monotonic() - began
        print(f"{title} ... ok ({took:.0f} s){'; ' + told if told else ''}", flush=True)
        return True

    def wait(self):
        for check in self.running:
            if check.result():
                self.passed += 1
            else:
                self.failed += 1
        self.running = []

    def end(self):
        print(f"{self.passed} passed, {self.failed} failed")
        sys.exit(1 if self.failed or not self.passed else 0)


def until(seconds, what, condition, every=0.1):
    """Waits for something that has to come; returns it."""
    end = time.monotonic() + seconds
    while True:
        found = condition()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"after {seconds} s still not: {what}")
        time.sleep(every)


def eventually(check, seconds=60, every=0.5):
    """Does a check again until it holds, for what a server shows only after a while."""
    end = time.monotonic() + seconds
    while True:
        try:
            return check()
        except AssertionError:
            if time.monotonic() > end:
                raise
        time.sleep(every)


def relaxed(text):
    """The stand with more patience than a real one may have: these tests share their machine."""
    guards = text.split("[[guard]]")
    guards = [guard for guard in guards if "stale data" not in guard and "sensor lost" not in guard.split("[pull]")[0]]
    rest = text[text.index("[pull]"):]
    kept = "[[guard]]".join(guards).split("[pull]")[0]
    return re.sub(r'(?m)^heartbeat_timeout = "[^"]*"', 'heartbeat_timeout = "2 s"', kept) + "\n" + rest


class Stand:
    """A folder with a stand file and a store, and commands on it."""

    def __init__(self, folder, binary, streams="", name="stand", store=None):
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.binary = binary
        self.file = self.folder / f"{name}.toml"
        self.store = Path(store) if store else self.folder / "pulls-rehearsal"
        self.log = self.folder / f"{name}.log"
        self.process = None
        text = DEMO.read_text()
        # The store of a rehearsal gets its own name beside the one of the file.
        if store:
            folder = str(store).removesuffix("-rehearsal")
            text = re.sub(r'(?m)^folder = ".*"', f'folder = "{folder}"', text)
        self.port = free_port()
        text = relaxed(text).replace('"127.0.0.1:0"', f'"127.0.0.1:{self.port}"')
        self.file.write_text(text + streams)

    def command(self, *arguments, check=True):
        done = subprocess.run(
            [self.binary, *map(str, arguments), "-c", str(self.file)],
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        if check and done.returncode != 0:
            raise AssertionError(f"{arguments}: {done.stderr or done.stdout}")
        return done

    def of_store(self, *arguments, check=True):
        return self.command(*arguments, "--store", self.store, check=check)

    def post(self, path, **body):
        """Asks the running daemon; None when it is not up, or refuses."""
        head = {"Content-Type": "application/json"}
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", json.dumps(body).encode(), head)
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:
                return json.loads(answer.read())
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return None

    def start(self, pulls, seed=1, env=None):
        """Starts the daemon on a simulated stand, on which a simulated person makes pulls."""
        self.wanted = self.pulls() + pulls
        self.connections = self.count("connections")
        command = [self.binary, "rehearse", "-c", str(self.file), "--pulls", str(pulls), "--seed", str(seed)]
        with open(self.log, "a") as log:
            self.process = subprocess.Popen(
                command, cwd=self.folder, stdout=log, stderr=log, env={**os.environ, **(env or {})}
            )
        return self.process

    def count(self, rows):
        try:
            return self.sql(f"SELECT count(*) FROM {rows}")[0][0]
        except sqlite3.OperationalError:
            return 0  # no store yet

    def pulls(self):
        """Pulls that are over."""
        return self.count("pulls WHERE state != 'running'")

    def rehearse(self, pulls, seed=1):
        """Lets the simulated person make pulls. A machine so busy that the stand is cut costs a
        further start, not the test."""
        wanted = self.pulls() + pulls
        for attempt in range(5):
            self.start(max(wanted - self.pulls(), 0), seed=seed + attempt)
            self.finish()
            if self.pulls() >= wanted:
                return
        raise AssertionError(f"the stand is cut again and again: {self.log.read_text()[-2000:]}")

    def finish(self):
        """Waits until the pulls are made, or the stand is cut, and stops the daemon."""
        try:
            until(120, "a board", lambda: self.count("connections") > self.connections)
            until(120, "chunks", lambda: self.count("chunks JOIN connections c ON c.id = connection_id AND closed_reason IS NULL") > 2)
            until(240, "pulls", lambda: self.pulls() >= self.wanted or self.is_cut(), every=0.3)
        finally:
            self.stop()

    def is_cut(self):
        latest = "SELECT max(id) FROM connections"
        return self.sql(f"SELECT count(*) FROM events WHERE severity = 'cut' AND connection_id = ({latest})")[0][0]

    def kill(self):
        self.process.kill()
        self.process.wait()

    def stop(self):
        if self.process and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(timeout=30)

    def sql(self, statement, *values):
        database = sqlite3.connect(f"file:{self.store / 'leverarm.sqlite'}?mode=ro", uri=True, timeout=20)
        try:
            return database.execute(statement, values).fetchall()
        finally:
            database.close()

    def write_sql(self, statement, rows):
        """Changes the store while no daemon has it."""
        database = sqlite3.connect(self.store / "leverarm.sqlite")
        with database:
            database.executemany(statement, rows)
        database.close()

    def events(self, *arguments):
        if not self.count("events"):
            return []
        printed = self.of_store("journal", "--json", "--unfolded", "--limit", 100000, *arguments).stdout
        return [json.loads(line) for line in printed.splitlines()]

    def expected(self, destination, *arguments):
        """The points that a destination has to have, made again from the store."""
        given = arguments or ("--since", "1971-01-01")
        printed = self.of_store("stream", "--to", destination, "--print", *given).stdout
        return Points(printed.splitlines())


# ── Points ──────────────────────────────────────────────────────────────────────────────────────


def split(text, separator):
    """Splits a part of a line at a separator that is neither escaped nor within quotes."""
    parts, part, quoted, escaped = [], [], False, False
    for character in text:
        if escaped:
            escaped = False
        elif character == "\\":
            escaped = True
        elif character == '"':
            quoted = not quoted
        elif character == separator and not quoted:
            parts.append("".join(part))
            part = []
            continue
        part.append(character)
    parts.append("".join(part))
    return parts


def plain(text):
    return re.sub(r"\\(.)", r"\1", text)


def value(text):
    if text.startswith('"'):
        return plain(text[1:-1])
    if text in ("t", "true"):
        return True
    if text in ("f", "false"):
        return False
    return int(text[:-1]) if text.endswith("i") else float(text)


def parse(line):
    """One line of the line protocol as (name, tags, fields, nanoseconds)."""
    head, fields, time_ns = split(line, " ")
    name, *tags = split(head, ",")
    pairs = [split(tag, "=") for tag in tags]
    tags = tuple(sorted((plain(key), plain(text)) for key, text in pairs))
    values = {plain(key): value(text) for key, text in (split(field, "=") for field in split(fields, ","))}
    return plain(name), tags, values, int(time_ns)


class Points:
    """Points by name, tags and time. The same point twice must be the same in all."""

    def __init__(self, lines=()):
        self.fields = {}
        self.lines = 0
        for line in lines:
            name, tags, fields, time_ns = parse(line)
            self.lines += 1
            known = self.fields.setdefault((name, tags, time_ns), fields)
            assert known == fields, f"one point, two values: {line}"

    def values(self, numbers_only=False, time_per=1):
        """Each field by series and time, as a server keeps them."""
        found = {}
        for (name, tags, time_ns), fields in self.fields.items():
            for field, value in fields.items():
                if numbers_only and isinstance(value, str):
                    continue
                found[name, field, tags, time_ns // time_per] = value
        return found

    def of_connections(self, numbers):
        """Only the live points of these connections."""
        wanted = {str(number) for number in numbers}
        kept = Points()
        kept.fields = {key: fields for key, fields in self.fields.items() if dict(key[1]).get("connection") in wanted}
        return kept


def same(found, expected, relative=0.0):
    """Compares two dictionaries of values, and says what is wrong in few words."""
    lost = expected.keys() - found.keys()
    more = found.keys() - expected.keys()
    assert not lost, f"{len(lost)} of {len(expected)} values are lost, such as {min(lost)}"
    assert not more, f"{len(more)} values too many, such as {min(more)}"
    for key, value in expected.items():
        other = found[key]
        if isinstance(value, (bool, str)) or isinstance(other, str):
            assert value == other, f"{key}: {value} expected, {other} found"
            continue
        # One of the servers writes twenty decimals and no more.
        room = max(relative * abs(value), 1e-20)
        assert abs(other - value) <= room, f"{key}: {value} expected, {other} found"
    return len(expected)
