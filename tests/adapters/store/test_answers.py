"""Answers in the store: once, by a genuine code, for the occasion that was told; and the secret behind the codes."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store import Store, database, secret_of
from monitor.adapters.store.answers import SECRET_FILE
from monitor.config.zones import zone_of
from monitor.core.notices.answers import reply
from monitor.core.notices.codes import LIVES_MS, make
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice, Route
from monitor.errors import StoreError

T0 = 1_780_000_000_000
MINUTE = 60_000
UTC = zone_of("UTC")
SECRET = bytes(range(32))
WAYS = (Route("log"), Route("phone"), Route("mail"), Route("neighbour", T0 + 20 * MINUTE, if_open=True))
RAISED = Condition("too-warm", "upper", Phase.RAISED, T0, T0, None, T0)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path) as opened:
        yield opened


def tell(store: Store, at_ms: int = T0, change: str = "raised", kind: str = "too-warm") -> Notice:
    """A box gets too warm, and that is told to everybody."""
    subjects = () if change == "drill" else ("upper",)
    notice = Notice(f"k{at_ms}", at_ms, kind, subjects, change, "now", "Too warm: upper", "hot", routes=WAYS)  # type: ignore[arg-type]
    conditions = [replace(RAISED, since_ms=at_ms, changed_ms=at_ms, last_ms=at_ms)] if change == "raised" else []
    moves = [Transition(kind, "upper", "raised", at_ms, at_ms, "")] if change == "raised" else []
    (made,) = store.ledger.commit(conditions, moves, [notice], {})
    return made


def clear(store: Store, at_ms: int) -> None:
    store.ledger.commit([replace(RAISED, phase=Phase.CLEAR, changed_ms=at_ms)], [], [], {})


def code(notice: Notice, channel: str = "phone") -> str:
    return make(SECRET, notice.id, channel, notice.at_ms)


def acknowledged(store: Store) -> int | None:
    return store.ledger.conditions()["too-warm", "upper"].acknowledged_ms


def test_looking_changes_nothing_and_answering_does_what_the_command_does(store: Store, tmp_path: Path) -> None:
    notice = tell(store)
    before = list(store.db.connection.iterdump())
    found = store.answers.look(SECRET, code(notice), T0 + 1)
    assert (found.status, found.notice, found.channel, found.over) == (
        "open",
        replace(notice, routes=None),
        "phone",
        False,
    )
    assert list(store.db.connection.iterdump()) == before
    found = store.answers.give(SECRET, code(notice), T0 + 2, "link")
    assert found.status == "given"
    assert found.notice is not None
    assert (found.notice.answered_ms, found.notice.answer) == (T0 + 2, "the link sent to phone")
    assert (found.notice.answer_way, found.notice.answer_channel) == ("link", "phone")
    assert acknowledged(store) == T0 + 2
    assert {o.channel: o.state for o in store.outbox.outgoing()}["neighbour"] == "not-needed"
    # The command leaves the same behind, but for who it was.
    with Store(tmp_path / "other") as other:
        tell(other)
        other.ledger.answer(1, T0 + 2, "neighbour")
        assert other.ledger.conditions() == store.ledger.conditions()
        assert other.outbox.outgoing() == store.outbox.outgoing()
        assert other.ledger.notice(1).answer_way == "command"


def test_a_second_answer_is_told_when_and_by_whom_the_first_was_given(store: Store) -> None:
    notice = tell(store)
    store.answers.give(SECRET, code(notice), T0 + MINUTE, "message", "neighbour")
    for second in (
        store.answers.give(SECRET, code(notice), T0 + 5 * MINUTE, "message", "Ben"),
        store.answers.give(SECRET, code(notice, "mail"), T0 + 5 * MINUTE, "link"),
        store.answers.give_number(1, T0 + 5 * MINUTE),
        store.answers.look(SECRET, code(notice), T0 + 5 * MINUTE),
        # Even after the code has expired.
        store.answers.give(SECRET, code(notice), T0 + LIVES_MS * 3, "link"),
    ):
        assert second.status == "before"
        assert "2026-05-28 20:27 by neighbour, with the code sent to phone" in reply(second, UTC)
    assert acknowledged(store) == T0 + MINUTE
    assert len(store.db.rows("SELECT * FROM answer")) == 1


def test_the_same_message_again_is_told_the_same(store: Store) -> None:
    notice = tell(store)
    first = store.answers.give(SECRET, code(notice), T0 + 1, "message", "neighbour")
    again = store.answers.give(SECRET, code(notice), T0 + 2, "message", "neighbour", again=True)
    other = store.answers.give(SECRET, code(notice), T0 + 2, "message", "Ben", again=True)
    assert reply(again, UTC) == reply(first, UTC)
    assert "answered already" in reply(other, UTC)


def test_forged_foreign_expired_and_other_codes_answer_nothing(store: Store) -> None:
    notice = tell(store)
    good = code(notice)
    for wrong in (
        "",
        good[:-1],
        good[:-1] + ("0" if good[-1] != "0" else "2"),
        make(bytes(32), notice.id, "phone", T0),
        make(SECRET, notice.id, "a channel it did not go to", T0),
        make(SECRET, notice.id + 1, "phone", T0),
    ):
        found = store.answers.give(SECRET, wrong, T0 + 1, "link")
        assert (found.status, found.notice) == ("unknown", None)
    late = store.answers.give(SECRET, good, T0 + LIVES_MS + 86_400_000, "link")
    assert late.status == "expired"
    assert "has expired" in reply(late, UTC)
    assert store.ledger.notice(1).answered_ms is None
    assert acknowledged(store) is None
    assert store.answers.give_number(77, T0).status == "unknown"


def test_an_answer_after_it_is_over_is_kept_and_says_so(store: Store) -> None:
    notice = tell(store)
    clear(store, T0 + MINUTE)
    found = store.answers.give(SECRET, code(notice), T0 + 2 * MINUTE, "link")
    assert (found.status, found.over) == ("given", True)
    assert reply(found, UTC).endswith("What it told of is over already.")
    assert store.ledger.notice(1).answered_ms == T0 + 2 * MINUTE


def test_an_old_code_does_not_silence_what_was_raised_anew(store: Store) -> None:
    old = tell(store)
    clear(store, T0 + MINUTE)
    new = tell(store, T0 + 60 * MINUTE)
    found = store.answers.give(SECRET, code(old), T0 + 61 * MINUTE, "link")
    assert (found.status, found.over) == ("given", True)
    assert acknowledged(store) is None
    states = {(o.notice, o.channel): o.state for o in store.outbox.outgoing()}
    assert states[old.id, "neighbour"] == "not-needed"
    assert states[new.id, "neighbour"] == "waiting"
    assert store.answers.give(SECRET, code(new), T0 + 62 * MINUTE, "link").over is False
    assert acknowledged(store) == T0 + 62 * MINUTE


def test_a_drill_that_is_answered_proves_the_way_back(store: Store) -> None:
    drill = tell(store, change="drill", kind="drill")
    found = store.answers.give(SECRET, code(drill, "mail"), T0 + 1, "link")
    assert reply(found, UTC) == "Test notice 1 is answered: Too warm: upper. The way back works."
    assert store.ledger.notice(1).answer == "the link sent to mail"


def test_an_answer_is_whole_or_not_at_all(store: Store) -> None:
    notice = tell(store)
    before = store.ledger.conditions(), store.ledger.notices(), store.outbox.outgoing(), store.ledger.history()
    store.db.connection.execute("CREATE TRIGGER fault BEFORE INSERT ON history BEGIN SELECT RAISE(ABORT, 'fault'); END")
    with pytest.raises(StoreError, match="fault"):
        store.answers.give(SECRET, code(notice), T0 + 1, "link")
    after = store.ledger.conditions(), store.ledger.notices(), store.outbox.outgoing(), store.ledger.history()
    assert after == before
    assert store.db.rows("SELECT * FROM answer") == []


def test_a_store_from_before_answers_by_code_keeps_its_answers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = database._schema()
    with monkeypatch.context() as older:
        older.setattr(database, "_schema", lambda: [s for s in steps if s[0] < 4])
        with Store(tmp_path) as store, store.db.write() as c:
            c.execute(
                "INSERT INTO notice(key, at, kind, subjects, change, urgency, title, text, answered, answer) "
                "VALUES ('k', ?, 'too-warm', '[\"upper\"]', 'raised', 'now', 'Too warm', 'hot', ?, 'neighbour')",
                (T0, T0 + 5),
            )
    with Store(tmp_path) as store:
        notice = store.ledger.notice(1)
        assert (notice.answered_ms, notice.answer, notice.answer_way) == (T0 + 5, "neighbour", "")
        again = store.answers.give_number(1, T0 + 9)
        assert again.status == "before"
        assert again.notice == notice


# -- the secret --------------------------------------------------------------------------------------------------


def test_the_secret_is_made_once_is_random_and_belongs_to_its_owner_alone(tmp_path: Path) -> None:
    first = secret_of(tmp_path)
    (tmp_path / "other").mkdir()
    assert len(first) == 32
    assert secret_of(tmp_path) == first
    assert secret_of(tmp_path / "other") != first
    path = tmp_path / SECRET_FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o644)
    secret_of(tmp_path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert sorted(p.name for p in tmp_path.iterdir()) == [SECRET_FILE, "other"]


def test_in_a_folder_of_a_group_who_keeps_the_room_may_read_the_secret(tmp_path: Path) -> None:
    tmp_path.chmod(0o2770)
    first, path = secret_of(tmp_path), tmp_path / SECRET_FILE
    assert stat.S_IMODE(path.stat().st_mode) & 0o007 == 0
    # As it was made before the group had it, and as nobody should have it.
    for mode in (0o600, 0o664):
        path.chmod(mode)
        assert secret_of(tmp_path) == first
        assert stat.S_IMODE(path.stat().st_mode) == 0o660


@pytest.mark.parametrize("damage", [b"", b"abcd\n", b"zz" * 32, b"\xff" * 40])
def test_a_damaged_secret_is_an_error_that_does_not_tell_it(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / SECRET_FILE
    path.write_bytes(damage)
    with pytest.raises(StoreError, match="is damaged") as raised:
        secret_of(tmp_path)
    assert str(path) in str(raised.value)
    assert "abcd" not in str(raised.value)


def test_a_secret_that_cannot_be_made_names_the_folder(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read or made"):
        secret_of(tmp_path / "not there")
