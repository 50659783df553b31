"""Checks of ``[answers]``: what its keys need of each other, and from where the page can be reached."""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import urlsplit

from monitor.config.mistakes import Findings
from monitor.config.secrets import carries_login
from monitor.config.shape import AnswersPart, Contents, Read
from monitor.config.values import shown

LOCAL: Final = frozenset({"localhost", "127.0.0.1", "::1"})
LOWEST_FREE_PORT: Final = 1024
"""Below it a port needs a right that the service does not have."""


def listen_place(text: str) -> tuple[str, int] | None:
    """Host and port of "0.0.0.0:8480" or "[::]:8480"; None for anything else."""
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+):([0-9]{1,5})", text)
    if found is None or not 0 < int(found[2]) < 65536:
        return None
    return found[1].strip("[]"), int(found[2])


def check_answers(contents: Contents, findings: Findings) -> None:
    """Every check of the part; silent when it is not there."""
    read = contents.answers
    if read is None or not read.sound("listen", "address", "topic", "bare_numbers"):
        return
    part = read.part
    if part.listen is None and part.address is None and part.topic is None:
        findings.mistake("answers-unfit", read.key, "there is no way to answer", "add listen and address, or topic")
    if (part.listen is None) != (part.address is None):
        there = "listen" if part.address is None else "address"
        what = "listen is where the page is, address is how a phone gets there"
        findings.mistake("answers-unfit", f"{read.key}.{there}", what, "give both or neither")
    if part.bare_numbers and part.topic is None:
        what = "numbers come on a topic, and there is none"
        findings.mistake("answers-unfit", f"{read.key}.bare_numbers", what, "add topic")
    _check_topic(contents, read, findings)
    _check_page(read, findings)


def _check_topic(contents: Contents, read: Read[AnswersPart], findings: Findings) -> None:
    topic = read.part.topic
    if topic is None:
        return
    others = [(r.key, r.part.topic) for r in contents.probes if r.sound("topic")]
    others += [(r.key, r.part.topic) for r in contents.gateways if r.sound("topic")]
    if contents.broker.sound("status_topic"):
        others.append((f"{contents.broker.key}.status_topic", contents.broker.part.status_topic or ""))
    for key, taken in others:
        if taken in (topic, f"{topic}/reply"):
            what = f"{key} has {shown(taken)}"
            findings.mistake("answers-unfit", f"{read.key}.topic", what, "give answers a topic of their own")
    if read.part.bare_numbers and contents.broker.sound("username") and contents.broker.part.username is None:
        what = "the broker takes anybody without a login, so anybody near it can answer notices by counting"
        fix = "give the broker logins and an access list (deploy/broker), or drop bare_numbers"
        findings.advice("answers-open", f"{read.key}.bare_numbers", what, fix)


def _check_page(read: Read[AnswersPart], findings: Findings) -> None:
    part = read.part
    if part.listen is None or part.address is None:
        return
    place = listen_place(part.listen)
    if place is None:
        what = f"{shown(part.listen)} is not a host with a port"
        findings.mistake("bad-listen", f"{read.key}.listen", what, 'write "0.0.0.0:8480", or "127.0.0.1:8480"')
        return
    host, port = place
    if port < LOWEST_FREE_PORT:
        what = f"a service that is not root may not listen at port {port}"
        findings.advice("low-port", f"{read.key}.listen", what, "take a port from 1024 on")
    try:
        url = urlsplit(part.address)
        there = url.hostname or ""
        at_port = url.port or (443 if url.scheme == "https" else 80)
    except ValueError:
        there = ""
    if not there or carries_login(part.address) or set(part.address) & set("?#@"):
        what = "this address cannot stand before /a/ and a code"
        fix = 'write it as "http://eggroom.local:8480", without login, ? and #'
        findings.mistake("bad-address", f"{read.key}.address", what, fix)
        return
    if there in LOCAL or there in ("0.0.0.0", "::"):  # noqa: S104 - looked for, not listened at
        what = f"on a phone, {there} is the phone itself"
        findings.advice("answers-unreachable", f"{read.key}.address", what, "write this computer's name or address")
    elif url.scheme == "http" and host not in LOCAL and at_port != port:
        what = f"the address leads to port {at_port}, the page is at port {port}"
        findings.advice("answers-unreachable", f"{read.key}.address", what, "write the same port in both")
    if url.scheme == "http" and host not in LOCAL:
        what = "on an open network anybody who reads a notice on its way can answer it"
        fix = "keep it to a network of your own, or put a proxy with https before it; an answer only ends reminders"
        findings.advice("answers-in-clear", f"{read.key}.address", what, fix)
