"""Who would get into the page without being let in: forged and old cookies, and wrong passphrases from many places."""

from __future__ import annotations

import http.client
import re
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import secret_of
from monitor.core.terms.times import DAY_MS
from monitor.errors import MonitorError
from monitor.page.sessions import Tickets
from tests.bench.hostile_asking import MARK
from tests.bench.process import now_ms

KEEPER: Final = "keeper"
PHRASE: Final = "seven eggs in warm sand"
CALLERS: Final = 48
TRIES: Final = 6


@dataclass(frozen=True)
class SignedAnswer:
    """``cookie``: what was handed out, as a browser sends it."""

    status: int
    text: str
    cookie: str

    @property
    def form_key(self) -> str:
        found = re.search(r'name="form_key" value="([^"]*)"', self.text)
        return found[1] if found else ""


def asked(port: int, path: str, source: str, cookie: str = "", form: dict[str, str] | None = None) -> SignedAnswer:
    """Ask for a page, or send a form, as a browser with a cookie."""
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=60, source_address=(source, 0))
    try:
        headers = {"Cookie": cookie} if cookie else {}
        if form is None:
            line.request("GET", path, headers=headers)
        else:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            line.request("POST", path, urlencode(form), headers)
        answer = line.getresponse()
        text = answer.read().decode(errors="replace")
        return SignedAnswer(answer.status, text, (answer.getheader("set-cookie") or "").partition(";")[0])
    finally:
        line.close()


def tried(port: int, source: str, name: str, passphrase: str) -> SignedAnswer:
    """One try to sign in, with the form as the page gives it."""
    page = asked(port, "/enter", source)
    fields = {"name": name, "passphrase": passphrase, "form_key": page.form_key}
    return asked(port, "/enter", source, page.cookie, fields)


def enter_people(data: Path) -> tuple[list[str], bool]:
    """Enter the keeper; cookies that must not let anybody in, and whether a name that is a script was refused."""
    file = PeopleFile(data)
    keeper = file.add(KEEPER, "enter", None, PHRASE, now_ms())
    try:
        file.add(MARK, "look", None, PHRASE, now_ms())
        refused = False
    except MonitorError:
        refused = True
    ours, others = Tickets(secret_of(data), secure=False), Tickets(b"another secret" * 3, secure=False)
    good = ours.cookie(ours.made(now_ms(), keeper), now_ms()).partition(";")[0]
    old = ours.cookie(ours.made(now_ms() - 91 * DAY_MS, keeper), now_ms()).partition(";")[0]
    early = ours.cookie(ours.made(now_ms() + DAY_MS, keeper), now_ms()).partition(";")[0]
    forged = others.cookie(others.made(now_ms(), keeper), now_ms()).partition(";")[0]
    name, _, value = good.partition("=")
    middle = len(value) // 2
    changed = f"{name}={value[:middle]}{'A' if value[middle] != 'A' else 'B'}{value[middle + 1 :]}"
    return [old, early, forged, changed, good[:-1], f"{name}=", f"{good[:-3]}; {forged}"], refused


def ask_with(port: int, cookies: list[str]) -> Counter[str]:
    """What these cookies open: pages and entries."""
    counts = Counter[str]()
    for n, cookie in enumerate(cookies):
        looked = asked(port, "/notices", f"127.0.7.{1 + n}", cookie)
        told = asked(port, "/looked-all", f"127.0.7.{1 + n}", cookie, {"form_key": "forged"})
        counts[f"to look, answered with {looked.status}"] += 1
        counts[f"to enter, answered with {told.status}"] += 1
    return counts


def try_wrong(port: int, meanwhile: Callable[[], None]) -> Counter[int]:
    """Wrong passphrases from many addresses, eight at a time, while something else is done; what was answered."""

    def one(caller: int) -> list[int]:
        names = (KEEPER, "nobody", MARK)
        return [tried(port, f"127.0.8.{1 + caller}", names[n % 3], f"wrong {n}").status for n in range(TRIES)]

    with ThreadPoolExecutor(8) as pool:
        answers = pool.map(one, range(CALLERS))
        meanwhile()
        return Counter(status for some in answers for status in some)
