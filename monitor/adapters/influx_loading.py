"""Which part of influxdb-client is loaded: what a write needs.

Left alone its package loads a model of everything that the database's interface can speak of: almost four hundred
modules, and the library of streams that its batching rests on. That is twenty megabytes, of which a write needs one.
"""

from __future__ import annotations

import importlib
import importlib.util
import logging
import sys
from typing import Any, Final, NamedTuple

_log = logging.getLogger("warmtally.shipping")

_NAME: Final = "influxdb_client"
_BARE: Final = (_NAME, f"{_NAME}.client", f"{_NAME}.domain", f"{_NAME}.service")
"""Packages whose own first lines are not run, since these load everything else."""
_ASKED_FOR: Final = {
    "service.signin_service": "SigninService",
    "service.signout_service": "SignoutService",
    "version": "VERSION",
}
"""Where the few names are that a write asks the package itself for."""


class Writer(NamedTuple):
    """The library's service of writes, and the error of an answer that is none of success."""

    service: Any
    refused: Any


def writer(url: str, token: str, timeout_ms: int) -> Writer:
    """A service that writes to a database, of the library's own classes however they are loaded."""
    if _NAME in sys.modules:
        return _made(url, token, timeout_ms)
    try:
        return _of_few(url, token, timeout_ms)
    except Exception as error:  # noqa: BLE001 - whatever another version does otherwise: all of it is right
        _log.info("influxdb-client is loaded as a whole (%s)", type(error).__name__)
        return _made(url, token, timeout_ms)


def _of_few(url: str, token: str, timeout_ms: int) -> Writer:
    """Without the packages' own first lines. Nothing of it stays where another import would find it."""
    try:
        for name in _BARE:
            spec = importlib.util.find_spec(name)
            if spec is None:
                raise ModuleNotFoundError(name)
            module = sys.modules[name] = importlib.util.module_from_spec(spec)
            if name != _NAME:
                setattr(sys.modules[_NAME], name.rpartition(".")[2], module)
        for where, name in _ASKED_FOR.items():
            setattr(sys.modules[_NAME], name, getattr(importlib.import_module(f"{_NAME}.{where}"), name))
        return _made(url, token, timeout_ms)
    finally:
        for name in [n for n in sys.modules if n == _NAME or n.startswith(f"{_NAME}.")]:
            del sys.modules[name]


def _made(url: str, token: str, timeout_ms: int) -> Writer:
    settings = importlib.import_module(f"{_NAME}.configuration").Configuration()
    settings.host, settings.timeout = url.rstrip("/"), timeout_ms
    login = ("Authorization", f"Token {token}") if token else (None, None)
    client = importlib.import_module(f"{_NAME}._sync.api_client").ApiClient(settings, *login)
    service = importlib.import_module(f"{_NAME}.service.write_service").WriteService(client)
    return Writer(service, importlib.import_module(f"{_NAME}.rest").ApiException)


__all__ = ["Writer", "writer"]
