"""What a write loads of influxdb-client, and that it is the library's own whatever becomes of the short way."""

from __future__ import annotations

import subprocess
import sys

from tests.peers import PROJECT

SHORT = """
import sys
from monitor.adapters.influx_loading import writer
made = writer("http://127.0.0.1:1/", "token", 1000)
loaded = [m for m in sys.modules if m.startswith(("influxdb_client", "reactivex"))]
assert not loaded, loaded
assert type(made.service).__module__ == "influxdb_client.service.write_service"
assert made.service.api_client.configuration.host == "http://127.0.0.1:1"
assert made.service.api_client.default_headers["Authorization"] == "Token token"
# Another one finds the library whole.
import influxdb_client
assert issubclass(influxdb_client.rest.ApiException, Exception) and influxdb_client.InfluxDBClient
assert writer("http://127.0.0.1:1", "", 1000).refused is influxdb_client.rest.ApiException
"""
OTHERWISE = """
import sys
from monitor.adapters import influx_loading
influx_loading._ASKED_FOR["service.signin_service"] = "NoSuchName"
made = influx_loading.writer("http://127.0.0.1:1", "token", 1000)
assert "influxdb_client.domain.bucket" in sys.modules
assert type(made.service) is sys.modules["influxdb_client"].WriteService
"""


def run(code: str) -> None:
    done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_a_write_loads_no_more_than_it_needs_and_leaves_nothing_half_loaded() -> None:
    run(SHORT)


def test_where_the_library_is_otherwise_all_of_it_is_loaded() -> None:
    run(OTHERWISE)
