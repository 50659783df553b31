"""A real browser for tests: Chromium without a window, driven by its pipe, as large as a phone, without script."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.peers import MOMENT_S, need

WIDTH, HEIGHT = 390, 844
_QUIET = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --hide-scrollbars --remote-debugging-pipe"
)


@dataclass
class Browser:
    """One page. The DevTools protocol: JSON ended by a zero byte, commands one way, answers and events the other."""

    process: subprocess.Popen[bytes]
    to: int
    back: int
    session: str = ""
    asked: list[str] = field(default_factory=list)
    """Every address that was fetched."""
    _number: int = 0
    _pending: bytes = b""
    _loaded: int = 0

    def _message(self, deadline: float) -> dict[str, Any]:
        while b"\0" not in self._pending:
            ready, _, _ = select.select([self.back], [], [], max(0.0, deadline - time.monotonic()))
            data = os.read(self.back, 65536) if ready else b""
            if not data:
                pytest.fail("the browser does not answer")
            self._pending += data
        one, self._pending = self._pending.split(b"\0", 1)
        message: dict[str, Any] = json.loads(one)
        if message.get("method") == "Network.requestWillBeSent":
            self.asked.append(message["params"]["request"]["url"])
        self._loaded += message.get("method") == "Page.loadEventFired"
        return message

    def do(self, method: str, **params: object) -> dict[str, Any]:
        self._number += 1
        told: dict[str, object] = {"id": self._number, "method": method, "params": params}
        if self.session:
            told["sessionId"] = self.session
        os.write(self.to, json.dumps(told).encode() + b"\0")
        deadline = time.monotonic() + MOMENT_S
        while True:
            message = self._message(deadline)
            if message.get("id") == self._number:
                assert "error" not in message, message
                result: dict[str, Any] = message["result"]
                return result

    def _until_loaded(self, before: int) -> None:
        deadline = time.monotonic() + MOMENT_S
        while self._loaded <= before:
            self._message(deadline)

    def open(self, url: str) -> str:
        """Go there; what can be read there then."""
        before = self._loaded
        self.do("Page.navigate", url=url)
        self._until_loaded(before)
        return self.text()

    def text(self) -> str:
        """All text of the page's body, as the browser's own tree has it."""
        nodes = self.do("DOM.getDocument", depth=-1, pierce=True)["root"]

        def words(node: dict[str, Any]) -> Iterator[str]:
            if node["nodeName"] == "#text" and node["nodeValue"].strip():
                yield node["nodeValue"].strip()
            for child in node.get("children", []):
                if child["nodeName"] not in ("HEAD", "STYLE"):
                    yield from words(child)

        return "\n".join(words(nodes))

    def box(self, selector: str) -> tuple[float, float, float, float]:
        """Left, top, width and height of an element, in CSS pixels of the window."""
        root = self.do("DOM.getDocument")["root"]["nodeId"]
        node = self.do("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        border = self.do("DOM.getBoxModel", nodeId=node)["model"]["border"]
        return border[0], border[1], border[4] - border[0], border[5] - border[1]

    def press(self, selector: str) -> str:
        """Press an element in its middle; what can be read on the page that follows."""
        left, top, width, height = self.box(selector)
        before = self._loaded
        for kind in ("mousePressed", "mouseReleased"):
            self.do(
                "Input.dispatchMouseEvent",
                type=kind,
                x=left + width / 2,
                y=top + height / 2,
                button="left",
                clickCount=1,
            )
        self._until_loaded(before)
        return self.text()

    def picture(self) -> bytes:
        """The window as a PNG."""
        return base64.b64decode(self.do("Page.captureScreenshot")["data"])


@contextlib.contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """A browser of its own with an empty profile in ``folder``."""
    program = need("chromium", "chromium")
    read_there, to = os.pipe()
    back, write_there = os.pipe()

    # The browser reads at descriptor 3 and writes at 4; a shell puts them there.
    line = f'exec "$0" {_QUIET} --user-data-dir="$1" --window-size={WIDTH},{HEIGHT} 3<&{read_there} 4>&{write_there}'
    process = subprocess.Popen(
        ["bash", "-c", line, program, str(folder / "profile")],
        pass_fds=(read_there, write_there),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(read_there)
    os.close(write_there)
    page = Browser(process, to, back)
    try:
        target = page.do("Target.createTarget", url="about:blank")["targetId"]
        page.session = page.do("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "DOM"):
            page.do(f"{domain}.enable")
        page.do("Emulation.setScriptExecutionDisabled", value=True)
        page.do("Emulation.setDeviceMetricsOverride", width=WIDTH, height=HEIGHT, deviceScaleFactor=2, mobile=True)
        yield page
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(10)
        process.kill()
        process.wait(10)
        os.close(to)
        os.close(back)
