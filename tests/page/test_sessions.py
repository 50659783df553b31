"""Sign-ins: a cookie is good for its room, its person and its time; tries are few, one after the other, and alike."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from itsdangerous import URLSafeSerializer

from monitor.adapters.people import NOBODYS, PeopleFile
from monitor.core.terms.people import People, Person
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.page.sessions import AHEAD_MS, IDLE_MS, LONGEST_MS, MOST_WAITING, Ticket, Tickets, Tries

T0 = 1_780_000_000_000
TODAY = dt.date(2026, 6, 1)
SECRET = bytes(range(32))
ANNA = Person("anna", "enter", None, "$hash", "ab")
TICKETS = Tickets(SECRET, secure=False)


def handed_out(tickets: Tickets, ticket: Ticket, now_ms: int = T0) -> str:
    """What the browser sends back."""
    return tickets.cookie(ticket, now_ms).partition(";")[0]


# -- cookies


def test_a_cookie_comes_back_as_it_was_made() -> None:
    ticket = TICKETS.made(T0, ANNA)
    header = f"other=1; {handed_out(TICKETS, ticket)}; last=2"
    assert TICKETS.read(header, T0) == ticket
    assert TICKETS.person_of(ticket, People((ANNA,)), TODAY) == ANNA
    nobody = TICKETS.made(T0)
    assert TICKETS.read(handed_out(TICKETS, nobody), T0) == nobody
    assert TICKETS.person_of(nobody, People((ANNA,)), TODAY) is None
    for header in ("", ";", "=;=", TICKETS.name, f"{TICKETS.name}=", "warmtally=1"):
        assert TICKETS.read(header, T0) is None


def test_it_is_kept_from_scripts_and_other_sites_and_from_http_where_there_is_https() -> None:
    plain = TICKETS.cookie(TICKETS.made(T0), T0)
    assert plain.endswith(f"; Path=/; Max-Age={30 * 86400}; HttpOnly; SameSite=Lax")
    secure = Tickets(SECRET, secure=True)
    over_https = secure.cookie(secure.made(T0), T0)
    assert over_https.endswith("; HttpOnly; SameSite=Lax; Secure")
    # A browser takes this name by https alone, for this host alone.
    assert over_https.startswith("__Host-warmtally-")
    assert "Max-Age=0" in TICKETS.no_cookie()


COOKIE = handed_out(TICKETS, TICKETS.made(T0, ANNA)).partition("=")[2]


# The last sign of what is signed holds bits that mean nothing.
@given(st.floats(0, 1, exclude_max=True), st.sampled_from("Aa0-_.=%Z9"))
def test_a_forged_cookie_is_none(share: float, sign: str) -> None:
    at = int(share * (len(COOKIE) - 1))
    forged = COOKIE[:at] + sign + COOKIE[at + 1 :]
    assert (TICKETS.read(f"{TICKETS.name}={forged}", T0) is None) is (forged != COOKIE)


@given(st.text(max_size=80))
def test_any_text_is_read_as_a_cookie(text: str) -> None:
    assert TICKETS.read(f"{TICKETS.name}={text}", T0) is None


def test_only_what_the_room_signed_as_a_cookie_is_one() -> None:
    ticket = TICKETS.made(T0, ANNA)
    value = handed_out(TICKETS, ticket).partition("=")[2]
    told = ["id", "anna", ticket.seal, T0, T0]
    for key in (SECRET, b"", b"warmtally sign-in", bytes(32)):
        for salt in ("warmtally cookie", "itsdangerous"):
            assert TICKETS.read(f"{TICKETS.name}={URLSafeSerializer(key, salt=salt).dumps(told)}", T0) is None
    # That of another room on this computer has another name, and is none under this one.
    other = Tickets(bytes(32), secure=False)
    assert other.name != TICKETS.name
    assert other.read(f"{other.name}={value}", T0) is None
    assert other.read(f"{TICKETS.name}={value}", T0) is None
    assert TICKETS.read(f"{TICKETS.name}={'x' * 5000}; {TICKETS.name}=junk; {TICKETS.name}={value}", T0) == ticket


def test_it_lives_for_thirty_days_without_a_visit_and_ninety_at_most() -> None:
    ticket = TICKETS.made(T0, ANNA)
    header = handed_out(TICKETS, ticket)
    assert TICKETS.read(header, T0 + IDLE_MS - 1) == ticket
    assert TICKETS.read(header, T0 + IDLE_MS) is None
    assert TICKETS.renewed(ticket, T0 + HOUR_MS - 1) is None
    now_ms = T0
    while True:
        now_ms += 20 * DAY_MS
        longer = TICKETS.renewed(ticket, now_ms)
        assert longer is not None
        assert (longer.id, longer.begun_ms) == (ticket.id, T0)
        ticket, header = longer, handed_out(TICKETS, longer, now_ms)
        if TICKETS.read(header, now_ms) is None:
            break
    assert now_ms == T0 + 100 * DAY_MS
    last = replace(ticket, seen_ms=T0 + 80 * DAY_MS)
    assert f"Max-Age={10 * 86400};" in TICKETS.cookie(last, last.seen_ms)
    assert last.good(T0 + LONGEST_MS - 1)
    assert not last.good(T0 + LONGEST_MS)


def test_one_that_a_clock_of_next_year_made_is_good_no_longer_once_it_is_set_right() -> None:
    ticket = TICKETS.made(T0 + 365 * DAY_MS, ANNA)
    header = handed_out(TICKETS, ticket, T0)
    assert TICKETS.read(header, T0) is None
    assert TICKETS.read(header, ticket.begun_ms - AHEAD_MS) == ticket


def test_it_ends_with_the_person_the_passphrase_the_right_and_when_left() -> None:
    ticket = TICKETS.made(T0, ANNA)

    def holds(person: Person, today: dt.date = TODAY) -> bool:
        return TICKETS.person_of(ticket, People((person,)), today) is not None

    assert TICKETS.person_of(ticket, People(), TODAY) is None
    assert holds(ANNA)
    assert holds(replace(ANNA, may="look"))
    assert not holds(replace(ANNA, hash="$other"))
    assert not holds(replace(ANNA, stamp="cd")), "removed, and entered again with the same hash"
    assert not holds(replace(ANNA, name="bea"))
    ends = replace(ANNA, until=TODAY)
    assert (holds(ends), holds(ends, TODAY + dt.timedelta(days=1))) == (True, False)
    assert not holds(replace(ANNA, left=((ticket.id, T0),)))
    assert holds(replace(ANNA, left=(("another", T0),)))


def test_the_key_of_forms_belongs_to_one_cookie() -> None:
    tickets = [TICKETS.made(T0), TICKETS.made(T0), TICKETS.made(T0, ANNA)]
    keys = {TICKETS.form_key(ticket) for ticket in tickets}
    assert len(keys) == 3
    longer = TICKETS.renewed(tickets[0], T0 + DAY_MS)
    assert longer is not None
    assert TICKETS.form_key(longer) in keys, "a page that was left open is still good"
    assert TICKETS.form_key(replace(tickets[0], name="anna")) not in keys
    assert Tickets(bytes(32), secure=False).form_key(tickets[0]) not in keys


# -- tries


class Checked:
    """What is checked, instead of computing a hash."""

    def __init__(self, right: str = "right", takes_s: float = 0.0) -> None:
        self.right, self.takes_s = right, takes_s
        self.hashes: list[str] = []
        self.at_once = self.most_at_once = 0

    def __call__(self, hashed: str, passphrase: str) -> bool:
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        self.hashes.append(hashed)
        time.sleep(self.takes_s)
        self.at_once -= 1
        return passphrase == self.right and hashed != NOBODYS


Made = Callable[[Checked], Tries]


@pytest.fixture
def tries(tmp_path: Path) -> Made:
    file = PeopleFile(tmp_path)
    file.add("anna", "enter", None, "whatever it was", T0)
    file.add("bea", "look", TODAY - dt.timedelta(days=1), "whatever it was", T0)
    return lambda checked: Tries(file, checked)


def test_every_try_takes_one_computation_of_the_same_cost_whether_or_not_there_is_such_a_name(tries: Made) -> None:
    checked = Checked()
    door = tries(checked)
    for name, passphrase, found in [
        ("anna", "wrong", "wrong"),
        ("nobody", "wrong", "wrong"),
        ("nobody", "right", "wrong"),
        ("", "", "wrong"),
        ("x" * 4000, "y" * 4000, "wrong"),
        ("bea", "wrong", "wrong"),
        ("bea", "right", "over"),
    ]:
        before = len(checked.hashes)
        assert door.sign_in(name, passphrase, "c", T0, TODAY) == found
        assert len(checked.hashes) == before + 1, name
    cost = {hashed.rsplit("$", 2)[0] for hashed in checked.hashes}
    assert cost == {"$argon2id$v=19$m=19456,t=2,p=1"}
    person = door.sign_in("ANNA", "right", "c", T0, TODAY)
    assert isinstance(person, Person)
    assert person.name == "anna"


def test_with_the_real_hash_the_right_one_alone_is_let_in(tmp_path: Path) -> None:
    file = PeopleFile(tmp_path)
    anna = file.add("anna", "enter", None, "violin quiet harbour two", T0)
    door = Tries(file)
    assert door.sign_in("Anna", "violin quiet harbour two", "c", T0, TODAY) == anna
    for name, passphrase in [
        ("anna", "violin quiet harbour too"),
        ("anna", ""),
        ("anna", NOBODYS),
        ("anna", anna.hash),
        ("bea", "violin quiet harbour two"),
    ]:
        assert door.sign_in(name, passphrase, "c", T0, TODAY) == "wrong"


def test_ten_wrong_ones_of_one_caller_are_looked_at_in_ten_minutes(tries: Made) -> None:
    checked = Checked()
    door = tries(checked)
    found = [door.sign_in(f"n{k}", "wrong", "c", T0 + k * 1000, TODAY) for k in range(1000)]
    # Over 1000 s each ten minutes begin anew once.
    assert found.count("wrong") == len(checked.hashes) == 20
    assert set(found) == {"wrong", "enough"}
    at_ms = T0 + 900_000
    assert door.sign_in("anna", "right", "c", at_ms, TODAY) == "enough", "the right one neither, or it could be guessed"
    assert isinstance(door.sign_in("anna", "right", "another", at_ms, TODAY), Person)
    assert isinstance(door.sign_in("anna", "right", "c", at_ms + 10 * MINUTE_MS, TODAY), Person)
    assert isinstance(door.sign_in("anna", "right", "c", T0 - DAY_MS, TODAY), Person), "a clock that was set back"


def test_sixty_of_all_callers_together_are_looked_at_and_who_was_here_before_is_not_kept_out(tries: Made) -> None:
    checked = Checked()
    door = tries(checked)
    assert isinstance(door.sign_in("anna", "right", "home", T0, TODAY), Person)
    found = [door.sign_in("anna", "wrong", f"c{k}", T0 + k, TODAY) for k in range(500)]
    assert found.count("wrong") == 60
    assert door.sign_in("anna", "right", "new", T0 + 600, TODAY) == "enough"
    assert isinstance(door.sign_in("anna", "right", "home", T0 + 600, TODAY), Person)
    # But no more of them than of anybody.
    assert [door.sign_in("anna", "wrong", "home", T0 + 601, TODAY) for _ in range(12)].count("wrong") == 10


def test_who_tries_at_once_waits_in_a_short_line_and_gets_no_more_tries(tries: Made) -> None:
    checked = Checked(takes_s=0.02)
    door = tries(checked)
    found: list[object] = []
    start = threading.Barrier(40)

    def guess(k: int) -> None:
        start.wait()
        found.append(door.sign_in("anna", f"guess {k}", "c", T0, TODAY))

    threads = [threading.Thread(target=guess, args=(k,)) for k in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert checked.most_at_once == 1
    assert len(found) == 40
    assert found.count("wrong") == len(checked.hashes) <= 10
    assert "busy" in found
    assert MOST_WAITING < 4, "of the few requests that are worked on, one is left for who is here already"
    assert isinstance(door.sign_in("anna", "right", "another", T0, TODAY), Person), "nobody is left waiting"


def test_where_there_is_no_memory_for_it_somebody_is_asked_to_come_again(tries: Made) -> None:
    def full(_hashed: str, _passphrase: str) -> bool:
        raise MemoryError

    door = tries(Checked())
    door.fits = full
    assert door.sign_in("anna", "right", "c", T0, TODAY) == "busy"
    door.fits = Checked()
    assert isinstance(door.sign_in("anna", "right", "c", T0, TODAY), Person)


def test_a_token_is_good_until_its_day_and_guesses_are_counted(tmp_path: Path) -> None:
    file = PeopleFile(tmp_path)
    token, shown = file.add_token("chart", "look", TODAY, T0)
    door = Tries(file)
    assert door.token(shown, "c", T0, TODAY) == token
    assert door.token(shown, "c", T0, TODAY + dt.timedelta(days=1)) == "over"
    assert [door.token(f"{shown}{k}", "c", T0, TODAY) for k in range(12)].count("wrong") == 10
    assert door.token(shown, "c", T0, TODAY) == "enough"
    file.remove("chart")
    assert door.token(shown, "another", T0, TODAY) == "wrong"
