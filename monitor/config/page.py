"""Checks of ``[page]`` and ``[answers]``: what their keys need of each other, and from where the page can be reached.

``listen`` and ``address`` once stood in ``[answers]``, when the page held nothing but notices to answer; they are still
read there.
"""

from __future__ import annotations

import re
from typing import Final, Literal
from urllib.parse import urlsplit

from monitor.config.mistakes import Findings
from monitor.config.reach import is_local
from monitor.config.secrets import carries_login
from monitor.config.shape import AnswersPart, Contents, Read
from monitor.config.values import shown
from monitor.values import dataclass

LOWEST_FREE_PORT: Final = 1024
"""Below it a port needs a right that the service does not have."""


def listen_place(text: str) -> tuple[str, int] | None:
    """Host and port of "0.0.0.0:8480" or "[::]:8480"; None for anything else."""
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+):([0-9]{1,5})", text)
    if found is None or not 0 < int(found[2]) < 65536:
        return None
    return found[1].strip("[]"), int(found[2])


@dataclass(frozen=True, slots=True)
class WrittenKey:
    """A value of the file, and the key at which it stands."""

    key: str
    value: str


def told_of_page(contents: Contents, name: Literal["listen", "address"]) -> WrittenKey | None:
    """Where the page is, as ``[page]`` says or by the old name; None where neither does."""
    for read in (contents.page, contents.answers):
        if read is not None and name in read.part.model_fields_set and read.sound(name):
            return WrittenKey(f"{read.key}.{name}", str(getattr(read.part, name)))
    return None


def check_page(contents: Contents, findings: Findings) -> None:
    """Every check of both parts; silent where they are not there."""
    if contents.answers is not None and contents.answers.sound(
        "listen", "address", "topic", "bare_numbers", "overview"
    ):
        _check_answers(contents, contents.answers, findings)
    listen, address = told_of_page(contents, "listen"), told_of_page(contents, "address")
    if contents.page is not None and listen is None and contents.page.sound("listen"):
        listen = WrittenKey(f"{contents.page.key}.listen", contents.page.part.listen)
    if listen is not None:
        _check_place(listen, address, findings)


def _check_answers(contents: Contents, read: Read[AnswersPart], findings: Findings) -> None:
    part, page = read.part, contents.page
    if part.listen is None and part.address is None and part.topic is None:
        findings.mistake("answers-unfit", read.key, "there is no way to answer", "add topic, or [page] with address")
    if (part.listen is None) != (part.address is None) and page is None:
        there = "listen" if part.address is None else "address"
        what = "listen is where the page is, address is how a phone gets there"
        findings.mistake("answers-unfit", f"{read.key}.{there}", what, "give both or neither")
    for name in ("listen", "address") if page is not None and page.sound("listen", "address") else ():
        before, now = getattr(part, name), getattr(page.part, name) if page is not None else None
        if before is not None and page is not None and name in page.part.model_fields_set and before != now:
            what = f"this is the old name of {page.key}.{name}, which says something else"
            findings.mistake("page-unfit", f"{read.key}.{name}", what, "drop it here")
    if part.bare_numbers and part.topic is None:
        what = "numbers come on a topic, and there is none"
        findings.mistake("answers-unfit", f"{read.key}.bare_numbers", what, "add topic")
    state = contents.broker.part.state or not contents.broker.sound("state")
    if part.overview and (part.topic is None or part.bare_numbers or not state):
        missing = "a topic" if part.topic is None else f"{contents.broker.key}.state"
        what = "numbers answer already" if part.bare_numbers else f"codes for an overview need {missing}"
        fix = "drop it" if part.bare_numbers else f"add {missing.removeprefix('a ')}, or drop overview"
        findings.mistake("answers-unfit", f"{read.key}.overview", what, fix)
    _check_topic(contents, read, findings)


def _check_topic(contents: Contents, read: Read[AnswersPart], findings: Findings) -> None:
    topic = read.part.topic
    if topic is None:
        return
    others = [(r.key, r.part.topic) for r in contents.probes if r.sound("topic")]
    others += [(r.key, r.part.topic) for r in contents.gateways if r.sound("topic")]
    if contents.broker.sound("status_topic"):
        others.append((f"{contents.broker.key}.status_topic", contents.broker.part.status_topic or ""))
    broker = contents.broker
    status = broker.part.status_topic if broker.sound("status_topic", "state") and broker.part.state else None
    if status is not None and topic.startswith(f"{status}/"):
        what = f"{broker.key}.state says the state of the room below {shown(status)}"
        findings.mistake("answers-unfit", f"{read.key}.topic", what, "give answers a topic of their own")
    for key, taken in others:
        if taken in (topic, f"{topic}/reply"):
            what = f"{key} has {shown(taken)}"
            findings.mistake("answers-unfit", f"{read.key}.topic", what, "give answers a topic of their own")
    if read.part.bare_numbers and contents.broker.sound("username") and contents.broker.part.username is None:
        what = "the broker takes anybody without a login, so anybody near it can answer notices by counting"
        fix = "give the broker logins and an access list (deploy/broker), or drop bare_numbers"
        findings.advice("answers-open", f"{read.key}.bare_numbers", what, fix)


def _check_place(listen: WrittenKey, address: WrittenKey | None, findings: Findings) -> None:
    place = listen_place(listen.value)
    if place is None:
        what = f"{shown(listen.value)} is not a host with a port"
        findings.mistake("bad-listen", listen.key, what, 'write "0.0.0.0:8480", or "127.0.0.1:8480"')
        return
    host, port = place
    if port < LOWEST_FREE_PORT:
        what = f"a service that is not root may not listen at port {port}"
        findings.advice("low-port", listen.key, what, "take a port from 1024 on")
    secure = False
    if address is not None:
        try:
            url = urlsplit(address.value)
            there = url.hostname or ""
            at_port = url.port or (443 if url.scheme == "https" else 80)
        except ValueError:
            there = ""
        if not there or carries_login(address.value) or set(address.value) & set("?#@"):
            what = "this address cannot stand before /a/ and a code"
            fix = 'write it as "http://eggroom.local:8480", without login, ? and #'
            findings.mistake("bad-address", address.key, what, fix)
            return
        secure = url.scheme == "https"
        if is_local(there) or there in ("0.0.0.0", "::"):  # noqa: S104 - looked for, not listened at
            what = f"on a phone, {there} is the phone itself"
            findings.advice("answers-unreachable", address.key, what, "write this computer's name or address")
        elif not secure and not is_local(host) and at_port != port:
            what = f"the address leads to port {at_port}, the page is at port {port}"
            findings.advice("answers-unreachable", address.key, what, "write the same port in both")
    elif not is_local(host):
        what = "nobody told how a phone gets to the page, so notices carry no link"
        findings.advice("answers-unreachable", listen.key, what, 'add address, such as "http://eggroom.local:8480"')
    if not secure and not is_local(host):
        what = "whoever listens on the network reads what is sent: passphrases, and links that answer notices"
        fix = "keep it to a network of your own, or put a proxy with https before it"
        findings.advice("answers-in-clear", (address or listen).key, what, fix)
