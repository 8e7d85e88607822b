"""Two clients that misbehave: one takes no byte of its stream, one never ends its request.

Says of each whether the server closed it within 60 s.
"""

import json
import socket
import sys
import time

PORT = int(sys.argv[1])
LIMIT_S = 60


def client(text, receive_bytes=None):
    sock = socket.socket()
    if receive_bytes:
        # Small, so that the server's sends fill up soon.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    sock.connect(("127.0.0.1", PORT))
    sock.sendall(text.encode())
    return sock


def is_closed(sock):
    """Whether the peer is gone, found out by sending: reading would make room again."""
    try:
        sock.send(b"x")
        return False
    except OSError:
        return True


stuck = client("GET /api/live/stream HTTP/1.1\r\nHost: localhost\r\n\r\n", 4096)
unfinished = client("GET /api/live HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
found = {"stuck": "open", "unfinished": "open"}
end = time.monotonic() + LIMIT_S
while "open" in found.values() and time.monotonic() < end:
    for name, sock in (("stuck", stuck), ("unfinished", unfinished)):
        if found[name] == "open" and is_closed(sock):
            found[name] = "closed"
    time.sleep(0.5)
print(json.dumps(found))
