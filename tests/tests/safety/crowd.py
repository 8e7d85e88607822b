"""Clients that keep a daemon busy, and a person among them who cuts.

    crowd.py crowd HOST PORT SOURCE [TOKEN]

Keeps 200 connections half-open, 128 idle, 60 that read whatever is much work, and 90 that give
commands, all from the address SOURCE and all at once; each one that is closed comes again. Says
"ready" when all of them have been there, and at the end of its input how often each kind was.

    crowd.py person HOST PORT SOURCE [TOKEN]

For each line of its input: cuts with it as reason, and says when it began, microseconds since 1970,
with what status that was answered, and after how many microseconds.
"""

import asyncio
import http.client
import json
import sys
import time

KIND, HOST, PORT, SOURCE = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
TOKEN = sys.argv[5] if len(sys.argv) > 5 else None
AUTHORIZATION = f"Authorization: Bearer {TOKEN}\r\n" if TOKEN else ""
READS = ["/api/pulls?limit=1000", "/api/pulls/1/curve", "/api/journal", "/api/journal/health", "/metrics", "/api/events?limit=1000"]
COMMANDS = [("/api/release", {"cut_id": 65000}), ("/api/setup", {"name": "main jet 105"})]

counts = {"half-open": 0, "idle": 0, "reads": 0, "commands": 0, "busy": 0}
here = set()


async def request(reader, writer, method, path, body=""):
    head = f"{method} {path} HTTP/1.1\r\nHost: {HOST}:{PORT}\r\n{AUTHORIZATION}"
    if body:
        head += f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n"
    writer.write(f"{head}\r\n{body}".encode())
    await writer.drain()
    answer = await reader.readuntil(b"\r\n\r\n")
    lengths = [line for line in answer.lower().split(b"\r\n") if line.startswith(b"content-length:")]
    await reader.readexactly(int(lengths[0].split(b":")[1]))
    return int(answer.split(b" ", 2)[1])


async def half_open(reader, writer, _):
    writer.write(f"POST /api/cut HTTP/1.1\r\nHost: {HOST}".encode())
    counts["half-open"] += 1
    yield
    await reader.read()


async def idle(reader, writer, _):
    await request(reader, writer, "GET", "/api/live")
    counts["idle"] += 1
    yield
    await reader.read()


async def read(reader, writer, number):
    while True:
        number += 1
        await request(reader, writer, "GET", READS[number % len(READS)])
        counts["reads"] += 1
        yield


async def command(reader, writer, number):
    path, body = COMMANDS[number % len(COMMANDS)]
    while True:
        status = await request(reader, writer, "POST", path, json.dumps(body))
        counts["commands"] += 1
        counts["busy"] += status == 503
        yield


async def one(work, number):
    while True:
        writer = None
        try:
            reader, writer = await asyncio.open_connection(HOST, PORT, local_addr=(SOURCE, 0))
            async for _ in work(reader, writer, number):
                here.add((work, number))
        except (OSError, asyncio.IncompleteReadError):
            here.add((work, number))
        if writer:
            writer.close()
        await asyncio.sleep(0.02)


async def crowd():
    kinds = [(half_open, 200), (idle, 128), (read, 60), (command, 90)]
    clients = [asyncio.create_task(one(work, number)) for work, many in kinds for number in range(many)]
    while len(here) < len(clients):
        await asyncio.sleep(0.05)
    print("ready", flush=True)
    await asyncio.to_thread(sys.stdin.read)
    print(json.dumps(counts), flush=True)
    for client in clients:
        client.cancel()


def person():
    for line in sys.stdin:
        headers = {"Content-Type": "application/json"}
        if TOKEN:
            headers["Authorization"] = f"Bearer {TOKEN}"
        began_us = time.time_ns() // 1000
        connection = http.client.HTTPConnection(HOST, PORT, timeout=10, source_address=(SOURCE, 0))
        try:
            connection.request("POST", "/api/cut", json.dumps({"reason": line.strip()}), headers)
            status = connection.getresponse().status
        except OSError:
            status = 0
        print(began_us, status, time.time_ns() // 1000 - began_us, flush=True)


if KIND == "crowd":
    asyncio.run(crowd())
else:
    person()
