"""A time-series server that misbehaves as it is told.

It takes points at the paths of both kinds of servers, keeps them, and answers each request as the
next mood says; after the last mood it is well, once the time is over in which it refuses
everything. It refuses a line that holds its poison, whatever
its mood, and with it the whole request, as a strict server does."""

import http.server
import socket
import threading
import time

MOODS = {
    "400": "refuses everything with status 400",
    "401": "lets nobody in",
    "404": "knows no such place",
    "429": "says that it is busy",
    "500": "breaks",
    "503": "says that it is down",
    "hang": "takes the request and never answers",
    "half": "closes the connection half way through the request",
    "mute": "takes the points and closes the connection without an answer",
    "cut": "begins an answer and closes the connection",
}


class BadServer:
    def __init__(self, moods=(), poison=None, refuse_s=0):
        self.moods = list(moods)
        self.refuse_s = refuse_s
        self.poison = poison
        self.lines = []
        self.requests = []
        self.refused = 0
        self.lock = threading.Lock()
        owner = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            timeout = 60

            def log_message(self, *_):
                pass

            def do_POST(self):
                owner.answer(self)

        class Quiet(http.server.ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_):
                pass  # connections that are broken on purpose

        self.server = Quiet(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def stream(self, kind="v2", name="bad", rate="10 Hz", extra=""):
        where = 'bucket = "stand"' if kind == "v2" else 'database = "stand"'
        return (
            f'\n[[stream]]\nname = "{name}"\nkind = "{kind}"\nurl = "{self.url}"\n{where}\n'
            f'rate = "{rate}"\n{extra}'
        )

    def answer(self, request):
        length = int(request.headers["Content-Length"])
        with self.lock:
            began = self.requests[0][0] if self.requests else time.monotonic()
            refuses = time.monotonic() - began < self.refuse_s
            mood = "400" if refuses else self.moods.pop(0) if self.moods else "well"
            self.requests.append((time.monotonic(), mood, request.path, request.headers.get("Authorization")))
        if mood == "half":
            request.rfile.read(length // 2)
            return self.drop(request)
        body = request.rfile.read(length).decode()
        if mood == "hang":
            time.sleep(600)
            return self.drop(request)
        if mood in ("400", "401", "404", "429", "500", "503"):
            return self.say(request, int(mood), "so it is told")
        lines = [line for line in body.split("\n") if line]
        if self.poison and any(self.poison in line for line in lines):
            self.refused += 1
            return self.say(request, 400, "unable to parse")
        with self.lock:
            self.lines += lines
        if mood == "mute":
            return self.drop(request)
        if mood == "cut":
            request.wfile.write(b"HTTP/1.1 204 No Con")
            return self.drop(request)
        return self.say(request, 204, "")

    @staticmethod
    def say(request, status, text):
        request.send_response(status)
        if status != 204:
            request.send_header("Content-Length", str(len(text)))
        request.end_headers()
        if status != 204:
            request.wfile.write(text.encode())

    @staticmethod
    def drop(request):
        request.close_connection = True
        try:
            request.connection.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass

    def real_lines(self):
        """The lines taken, without those that only ask whether anything is taken."""
        with self.lock:
            return [line for line in self.lines if not line.startswith("leverarm_stream,")]

    def close(self):
        self.server.shutdown()
        self.server.server_close()
