"""Outside databases for tests: victoria-metrics as it is, and influxdb 1.x behind a small front with the v2 address.

The front checks what a v2 server checks (token, organisation, bucket, precision, packed bodies) and hands the lines to
the real parser and store of influxdb 1.x. It is not InfluxDB 2.
"""

from __future__ import annotations

import gzip
import json
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from tests.peers import free_port, need, wait_for

ORG, BUCKET, TOKEN = "eggs", "room", "s3cret-token-7f21"


def _get(url: str, data: bytes | None = None) -> tuple[int, bytes]:
    try:
        with urllib.request.urlopen(url, data, timeout=10) as answer:
            return int(answer.status), answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return int(error.code), error.read()


def _up(url: str) -> bool:
    with suppress(OSError):
        return _get(url)[0] in (200, 204)
    return False


@dataclass
class Server:
    """A database in a folder of its own; may be stopped and started again on the same port."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        wait_for(lambda: _up(f"{self.url}/ping"), f"{self.command()[0]} on port {self.port}")

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)
            self.process = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"


class Victoria(Server):
    """victoria-metrics: takes v2 writes itself, knows neither tokens nor buckets, and drops bad lines in silence."""

    def command(self) -> list[str]:
        return [
            need("victoria-metrics", "victoria-metrics"),
            f"-storageDataPath={self.folder}/data",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms",
        ]

    def held(self, name: str, **tags: str) -> dict[int, float]:
        """Time -> value of one series."""
        _get(f"{self.url}/internal/force_flush")
        match = name + "{" + ",".join(f'{k}="{v}"' for k, v in tags.items()) + "}"
        # All time: without a start only the last hours are given.
        asked = urllib.parse.urlencode({"match[]": match, "start": "2000-01-01T00:00:00Z"})
        found: dict[int, float] = {}
        for text in _get(f"{self.url}/api/v1/export?{asked}")[1].splitlines():
            series = json.loads(text)
            found.update(zip(series["timestamps"], series["values"], strict=True))
        return found


class Influx(Server):
    """influxdb 1.x."""

    def command(self) -> list[str]:
        config = self.folder / "influxdb.conf"
        if not config.exists():
            config.write_text(
                f'reporting-disabled = true\nbind-address = "127.0.0.1:{free_port()}"\n'
                f'[meta]\ndir = "{self.folder}/meta"\n'
                f'[data]\ndir = "{self.folder}/data"\nwal-dir = "{self.folder}/wal"\nquery-log-enabled = false\n'
                f'[http]\nbind-address = "127.0.0.1:{self.port}"\nlog-enabled = false\n'
                "[monitor]\nstore-enabled = false\n"
            )
        return [need("influxd", "influxdb"), "run", "-config", str(config)]

    def ask(self, query: str, database: str = BUCKET) -> list[dict[str, Any]]:
        asked = urllib.parse.urlencode({"db": database, "epoch": "ms", "q": query})
        answer = json.loads(_get(f"{self.url}/query", asked.encode())[1])
        rows = []
        for series in answer["results"][0].get("series", []):
            rows += [dict(zip(series["columns"], values, strict=True)) for values in series["values"]]
        return rows

    def held(self, probe: str, field_: str = "value") -> dict[int, float]:
        """Time -> value of a probe's readings."""
        rows = self.ask(f'SELECT "{field_}" FROM "reading" WHERE "probe" = \'{probe}\'')
        return {int(r["time"]): float(r[field_]) for r in rows}


@dataclass
class Front:
    """The v2 write address before an :class:`Influx`. ``answers`` are given first, one a request: (status, headers)."""

    influx: Influx
    port: int = field(default_factory=free_port)
    token: str = TOKEN
    buckets: tuple[str, ...] = (BUCKET,)
    most_lines: int = 100_000
    answers: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    requests: list[tuple[int, int]] = field(default_factory=list)
    packed: int = 0
    _server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        front = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                    front.packed += 1
                status, headers, text = front.judge(self.path, self.headers.get("Authorization", ""), body)
                front.requests.append((status, body.count(b"\n") + 1))
                raw = text.encode()
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Type", "application/json")
                    self.send_header("Content-Length", str(len(raw)))
                self.end_headers()
                self.wfile.write(raw if status != 204 else b"")

            def log_message(self, *_: object) -> None:
                pass

        class Quiet(ThreadingHTTPServer):
            daemon_threads = True
            allow_reuse_address = True

            def handle_error(self, *_: object) -> None:
                pass

        self._server = Quiet(("127.0.0.1", self.port), Handler)
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def judge(self, path: str, login: str, body: bytes) -> tuple[int, dict[str, str], str]:
        """Status, headers and text for one request."""

        def refusal(status: int, code: str, message: str) -> tuple[int, dict[str, str], str]:
            return status, {}, json.dumps({"code": code, "message": message})

        if self.answers:
            status, headers = self.answers.pop(0)
            return status, headers, json.dumps({"code": "as told", "message": f"as told, {login}"})
        address = urllib.parse.urlsplit(path)
        asked = dict(urllib.parse.parse_qsl(address.query))
        if address.path != "/api/v2/write":
            return refusal(404, "not found", "path not found")
        if login != f"Token {self.token}":
            return refusal(401, "unauthorized", "unauthorized access")
        if asked.get("org") != ORG or asked.get("bucket") not in self.buckets:
            return refusal(404, "not found", f'bucket "{asked.get("bucket")}" not found')
        if body.count(b"\n") + 1 > self.most_lines:
            return refusal(413, "request too large", "too many lines")
        precision = {"ns": "n", "us": "u", "ms": "ms", "s": "s"}[asked.get("precision", "ns")]
        where = urllib.parse.urlencode({"db": asked["bucket"], "precision": precision})
        try:
            status, text = _get(f"{self.influx.url}/write?{where}", body)
        except OSError:
            return refusal(503, "unavailable", "the store is starting")
        if status == 204:
            return 204, {}, ""
        message = str(json.loads(text).get("error", "")) if text else ""
        if "type conflict" in message:
            return refusal(422, "unprocessable entity", message)
        return refusal(status, "invalid", message)


@contextmanager
def influx_with_front(folder: Path) -> Iterator[tuple[Influx, Front]]:
    influx = Influx(folder)
    influx.start()
    front = Front(influx)
    front.start()
    try:
        influx.ask(f'CREATE DATABASE "{BUCKET}"')
        yield influx, front
    finally:
        front.stop()
        influx.stop()


@contextmanager
def victoria(folder: Path) -> Iterator[Victoria]:
    server = Victoria(folder)
    server.start()
    try:
        yield server
    finally:
        server.stop()
