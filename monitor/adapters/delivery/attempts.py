"""One message to one address, through Apprise: whether it was taken, and if not, why, in words without the address.

Apprise speaks to the outside. It is imported in the sending thread only (it is large). A new object is used for each
send (one that is used again waits 5.5 s between sends), made before it is needed (:class:`Spare`). Nothing of what it
says is passed on: its lines and the library's below it can hold addresses that are secrets. What is logged here names a
class of failure.
"""

from __future__ import annotations

import contextlib
import logging
import re
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final
from urllib.parse import quote

from monitor.adapters.delivery.apprise_loading import ready
from monitor.core.terms.settings import Channel
from monitor.values import dataclass

_REFUSED: Final = "refused"
_NO_ANSWER: Final = "no connection, or no answer in time"


@dataclass(frozen=True, slots=True)
class DrillResult:
    """How a test notice fared."""

    channel: str
    ok: bool
    seconds: float
    error: str


class _OwnWords(logging.Filter):
    """At the door of Apprise's logger: of what it says only the class of failure goes on, in our words.

    Its lines can hold whole addresses (below DEBUG it logs them unmasked), and a handler may sit right there.
    """

    def filter(self, record: logging.LogRecord) -> bool:
        if record.levelno < logging.WARNING:
            return False
        record.msg, record.args = _reason(record.getMessage()), ()
        record.exc_info = record.exc_text = record.stack_info = None
        return True


_own_words = _OwnWords()


def _silence() -> None:
    """Keep the words of the libraries below from every log."""
    apprise = logging.getLogger("apprise")
    apprise.setLevel(logging.WARNING)
    apprise.propagate = False
    if _own_words not in apprise.filters:
        apprise.addFilter(_own_words)
        apprise.addHandler(logging.NullHandler())
    for below in ("urllib3", "slixmpp"):
        logging.getLogger(below).setLevel(logging.ERROR)


def _reason(line: str) -> str:
    """A plain reason out of one of Apprise's lines: a code or a class of failure, never the text."""
    code = re.search(r"\berror=(\d{3})\b", line)
    if code is not None:
        return f"{_REFUSED} (HTTP {code[1]})"
    return _NO_ANSWER if "onnection error" in line else _REFUSED


def _plugin(channel: Channel) -> tuple[object, object] | str:
    """(Apprise holding one service, its service), or what is wrong with the address, in words without it."""
    _silence()
    import apprise

    scheme = channel.url.partition("://")[0].lower() if "://" in channel.url else ""
    if not re.fullmatch(r"[a-z][a-z0-9+.-]{0,30}", scheme):
        return "the address has no kind: it begins with scheme://"
    ready(scheme)
    asset = apprise.AppriseAsset(
        app_id="Warmtally",
        app_desc="Warmtally",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        # In our own thread, under our own deadline; never in a pool that another channel's hanging send may fill.
        async_mode=False,
        service_timeout=0,
        # A redirected POST arrives as a GET: the answer is 200 and the notice is lost.
        http_redirects=False,
        pgp_autogen=False,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
    )
    # Later arguments win over earlier ones. The outbox does the retrying.
    arguments = [f"cto={channel.timeout_s}", f"rto={channel.timeout_s}", "retry=0"]
    if "overflow=" not in channel.url:
        arguments.append("overflow=split")  # A text too long for the service comes in parts instead of never.
    joint = "&" if "?" in channel.url else "?"
    service = apprise.Apprise.instantiate(channel.url + joint + "&".join(arguments), asset=asset)
    if service is None:
        known = scheme in apprise.plugins.N_MGR or scheme in ("http", "https")
        return (
            f"the parts of this {scheme}:// address do not fit together, or something it needs is not installed"
            if known
            else f"Apprise knows no kind of address that begins with {scheme}://"
        )
    sender = apprise.Apprise(asset=asset)
    sender.add(service)
    return sender, service


def problem(channel: Channel) -> str | None:
    """What is wrong with a channel's address as far as can be told without sending; None: nothing."""
    try:
        made = _plugin(channel)
    except Exception as error:  # noqa: BLE001 - whatever a service's own code raises, its text may hold the address
        return f"the address cannot be used ({type(error).__name__})"
    return made if isinstance(made, str) else None


class Spare:
    """What the next send of a channel needs, made ahead: reading an address takes half as long as sending, and the
    first time a library is loaded. Belongs to whichever thread of the channel is at work."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._made: tuple[object, object] | str | None = None

    def fill(self) -> None:
        """Make it, where it is not there. Raises nothing: what is wrong is found again by the send."""
        if self._made is None:
            with contextlib.suppress(Exception):
                self._made = _plugin(self._channel)

    def take(self) -> tuple[object, object] | str:
        """As :func:`_plugin`; the next one gets another."""
        made, self._made = self._made, None
        return _plugin(self._channel) if made is None else made


def _send(channel: Channel, title: str, body: str, key: str, spare: Spare) -> str:
    """Send one message and wait for the answer; "" when it was taken, else why not. Raises nothing."""
    try:
        made = spare.take()
        if isinstance(made, str):
            return made
        import apprise

        sender, service = made
        assert isinstance(sender, apprise.Apprise)
        headers = getattr(service, "headers", None)
        if isinstance(headers, dict):
            # Mail and HTTP hooks: the key where a program finds it. Apprise makes its own Message-ID.
            headers["X-Notice-Key"] = quote(key, safe=" -_.:/@+,;=()")
        result = sender.notify(body=body, title=title, body_format=apprise.NotifyFormat.TEXT)
        good = apprise.AppriseResultStatus.SUCCESS
        # Strictly: the whole call, and the last attempt of every service in it. (Apprise counts a failure of a
        # service that its address calls optional as a success.)
        if result.status == good and len(result.results) > 0:
            last = [r.attempts[-1].status if r.attempts else None for r in result.results]
            if all(status == good for status in last):
                return ""
        if result.status == apprise.AppriseResultStatus.TIMEOUT:
            return f"no answer within {channel.timeout_s:g} s"
        reasons = [entry.message for r in result.results for entry in r.logs()]
        return next((r for r in reasons if r != _REFUSED), _REFUSED)
    except Exception as error:  # noqa: BLE001 - see problem()
        return f"failed ({type(error).__name__})"


class Attempt:
    """One send in a thread of its own, so that a service which never answers is left behind.

    Apprise's time-outs bound each step of a connection; an answer that drips, or a name server that is silent,
    outlasts them. ``on_end`` is called when the send is over.
    """

    def __init__(
        self,
        channel: Channel,
        title: str,
        body: str,
        key: str,
        on_end: Callable[[], None],
        spare: Spare | None = None,
    ) -> None:
        self.channel = channel
        self.began = time.monotonic()
        self.deadline = self.began + 2.0 * channel.timeout_s + 2.0
        self.took_s: float | None = None
        self.error: str | None = None
        self._on_end = on_end
        self._message = (title, body, key, spare or Spare(channel))
        self.thread = threading.Thread(target=self._run, name=f"send-{channel.id}", daemon=True)
        self.thread.start()

    def _run(self) -> None:
        error = _send(self.channel, *self._message)
        self.took_s = time.monotonic() - self.began
        self.error = error
        self._on_end()

    @property
    def too_late(self) -> str:
        return f"no answer within {self.deadline - self.began:.0f} s; left hanging"


def drill(channels: Sequence[Channel], now_ms: int) -> list[DrillResult]:
    """Send a test notice through every channel at once; how each fared, in the given order."""
    key = f"drill {now_ms}"
    body = (
        "This is a test. Nothing is wrong, and nothing needs to be done.\n"
        "It came the way a real notice comes; if several channels are set up, look whether each brought one."
    )
    over = threading.Event()
    attempts = [Attempt(c, "Warmtally: test notice", f"{body}\n\nkey {key}", key, over.set) for c in channels]
    while any(a.error is None and time.monotonic() < a.deadline for a in attempts):
        over.wait(0.2)
        over.clear()
    results = []
    for attempt in attempts:
        # The time first: it is set before the answer.
        error, took_s = attempt.error, attempt.took_s
        if error is None or took_s is None:
            error, took_s = attempt.too_late, time.monotonic() - attempt.began
        results.append(DrillResult(attempt.channel.id, error == "", round(took_s, 3), error))
    return results
