"""Real time-series servers for the tests, from Debian's packages."""

import json
import shutil
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

from kit import ROOT, free_port, until


def install():
    """Installs the servers that are missing."""
    missing = [
        package
        for command, package in [("victoria-metrics", "victoria-metrics"), ("influxd", "influxdb")]
        if not shutil.which(command)
    ]
    # A wall clock that is wrong, for a program that is told so.
    if not list(Path("/usr/lib").glob("*/faketime/libfaketime.so.1")):
        missing.append("libfaketime")
    if not missing:
        return
    subprocess.run([ROOT / "tests/install", "debian", *missing], check=True)


def get(url, **parameters):
    query = urllib.parse.urlencode(parameters)
    with urllib.request.urlopen(f"{url}?{query}" if query else url, timeout=60) as answer:
        return answer.read().decode()


class Server:
    """A server process that can be stopped and started again with what it has kept."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process = None

    def start(self):
        command = self.arguments()  # once: a server reads the file that this writes
        with open(self.folder / "log", "a") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until(120, f"{command[0]} answers", self.answers)
        return self

    def answers(self):
        try:
            get(f"{self.url}{self.ping}")
            return True
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return False

    def stop(self):
        if self.process:
            self.process.terminate()
            self.process.wait(timeout=60)
            self.process = None


class New(Server):
    """victoria-metrics, which takes what a v2 server takes.

    It keeps times to 1 ms. With the deduplication of 1 ms it keeps one sample of those that came
    twice; without it, it would count both."""

    ping = "/health"

    def arguments(self):
        return [
            "victoria-metrics",
            f"-storageDataPath={self.folder}/data",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-loggerLevel=WARN",
            "-dedup.minScrapeInterval=1ms",
        ]

    def stream(self, name="new", rate="10 Hz", extra=""):
        return (
            f'\n[[stream]]\nname = "{name}"\nkind = "v2"\nurl = "{self.url}"\nbucket = "stand"\n'
            f'rate = "{rate}"\n{extra}'
        )

    def values(self):
        get(f"{self.url}/internal/force_flush")
        # The index of new series follows a little later than their samples.
        get(f"{self.url}/internal/resetRollupResultCache")
        found = {}
        selector = '{__name__=~"leverarm_.*",__name__!~"leverarm_stream_.*"}'
        for line in get(f"{self.url}/api/v1/export", **{"match[]": selector}).splitlines():
            series = json.loads(line)
            labels = series["metric"]
            full = labels.pop("__name__")
            name = "_".join(full.split("_")[:2])
            for long in ("leverarm_mass_flow", "leverarm_volume_flow", "leverarm_linear_speed"):
                name = long if full.startswith(long) else name
            field = full.removeprefix(name + "_")
            tags = tuple(sorted(labels.items()))
            for time_ms, value in zip(series["timestamps"], series["values"]):
                key = name, field, tags, time_ms
                assert key not in found, f"twice: {key}"
                found[key] = value
        # A text is kept as the number 0.
        return {key: value for key, value in found.items() if key[1] not in ("message", "state")}

    def query(self, expression, **parameters):
        answer = json.loads(get(f"{self.url}/api/v1/query_range", query=expression, **parameters))
        assert answer["status"] == "success", answer
        return answer["data"]["result"]


class Old(Server):
    """influxdb 1.6, which takes the same lines at another path and keeps nanoseconds."""

    ping = "/ping"
    database = "stand"

    def __init__(self, folder, login=None):
        super().__init__(folder)
        self.rpc_port = free_port()
        self.login = login

    def arguments(self):
        file = self.folder / "influxdb.conf"
        auth = "true" if self.login else "false"
        file.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{self.rpc_port}"\n'
            f'[meta]\ndir = "{self.folder}/meta"\n'
            f'[data]\ndir = "{self.folder}/data"\nwal-dir = "{self.folder}/wal"\n'
            f'[monitor]\nstore-enabled = false\n'
            f'[http]\nbind-address = "127.0.0.1:{self.port}"\nauth-enabled = {auth}\nlog-enabled = false\n'
        )
        return ["influxd", "run", "-config", str(file)]

    def stream(self, name="old", rate="10 Hz", extra=""):
        return (
            f'\n[[stream]]\nname = "{name}"\nkind = "v1"\nurl = "{self.url}"\ndatabase = "{self.database}"\n'
            f'rate = "{rate}"\n{extra}'
        )

    def ask(self, query, post=False, **parameters):
        if self.login:
            parameters |= {"u": self.login[0], "p": self.login[1]}
        data = urllib.parse.urlencode({"q": query, **parameters}).encode()
        url = f"{self.url}/query"
        request = urllib.request.Request(url, data=data) if post else f"{url}?{data.decode()}"
        with urllib.request.urlopen(request, timeout=60) as answer:
            found = json.loads(answer.read())
        [result] = found["results"]
        assert "error" not in result, result
        return result.get("series", [])

    def create(self):
        self.ask(f"CREATE DATABASE {self.database}", post=True)
        return self

    def values(self):
        found = {}
        names = [row[0] for part in self.ask("SHOW MEASUREMENTS", db=self.database) for row in part["values"]]
        for name in names:
            if name == "leverarm_stream":
                continue
            for part in self.ask(f'SELECT * FROM "{name}" GROUP BY *', db=self.database, epoch="ns"):
                tags = tuple(sorted((key, text) for key, text in part["tags"].items() if text))
                for row in part["values"]:
                    time_ns, *fields = row
                    for field, value in zip(part["columns"][1:], fields):
                        if value is not None:
                            found[name, field, tags, time_ns] = value
        return found
