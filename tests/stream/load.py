#!/usr/bin/env python3
"""How many stands one time-series server carries: tests/stream/load.py [seconds]

A simulated stand is recorded once and its live points at 10 and 100 Hz are counted. Then ten stands' worth of them are
written into each real server as fast as it takes them, a second of each stand to a request. A benchmark, no test:
what a server's processor time for a point is depends on the machine."""

import os
import re
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from kit import Stand, program
from servers import New, Old, install

STANDS = 10
LIVE = re.compile(r"^leverarm_(?!curve|pull|event|stream)")


def lines_of(stand, destination):
    return stand.of_store("stream", "--to", destination, "--print", "--since", "1971-01-01").stdout.splitlines()


def live_lines(lines):
    """The live points of the stand's busiest second."""
    seconds = {}
    for line in lines:
        if LIVE.match(line):
            seconds.setdefault(int(line.rsplit(" ", 1)[1]) // 10**9, []).append(line)
    return max(seconds.values(), key=len)


def processor_seconds(server):
    fields = Path(f"/proc/{server.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def write(server, url, lines, seconds):
    """Points taken a second, and a server's processor time for each, in microseconds."""
    head, times = zip(*((line.rsplit(" ", 1)[0], int(line.rsplit(" ", 1)[1]) % 10**9) for line in lines))
    began = int(time.time()) - 3600
    taken = [0] * STANDS
    until = time.monotonic() + seconds

    def one(number):
        own = [re.sub(r"stand=(?:\\.|[^, ])+", f"stand=stand-{number}", text) for text in head]
        second = began
        while time.monotonic() < until:
            body = "\n".join(f"{text} {second}{at:09d}" for text, at in zip(own, times)).encode()
            request = urllib.request.Request(url, data=body)
            with urllib.request.urlopen(request, timeout=60) as answer:
                assert answer.status in (200, 204), answer.status
            taken[number] += len(own)
            second += 1

    threads = [threading.Thread(target=one, args=(number,)) for number in range(STANDS)]
    before, start = processor_seconds(server), time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took = time.monotonic() - start
    return sum(taken) / took, (processor_seconds(server) - before) / sum(taken) * 1e6


def main():
    seconds = float(sys.argv[1]) if sys.argv[1:] else 20
    install()
    with tempfile.TemporaryDirectory(prefix="stream-load-") as base:
        base = Path(base)
        new, old = New(base / "new"), Old(base / "old")
        stand = Stand(base / "stand", program(), new.stream("slow") + new.stream("fast", rate="100 Hz"))
        stand.rehearse(1)
        slow, fast = lines_of(stand, "slow"), lines_of(stand, "fast")
        rates = {"10 Hz": live_lines(slow), "100 Hz": live_lines(fast)}
        print(f"a pull's curve: {sum('leverarm_curve,' in line for line in slow) / stand.pulls():.0f} points")
        for rate, lines in rates.items():
            print(f"a stand at {rate}, in a pull: {len(lines)} points a second of {len({line.split(' ')[0] for line in lines})} channels")
        for name, server, path in (("victoria-metrics", new, "/api/v2/write?bucket=stand"), ("influxdb 1.6", old, "/write?db=stand")):
            server.start()
            if server is old:
                old.create()
            for rate, lines in rates.items():
                points, each = write(server, server.url + path, lines, seconds)
                core = 1e6 / each
                print(f"{name}, {STANDS} stands at {rate}: {points:.0f} points/s taken, {each:.1f} us of the server's processor "
                      f"each: one core carries {core:.0f} points/s, {core / len(lines):.0f} stands", flush=True)
            server.stop()


if __name__ == "__main__":
    main()
