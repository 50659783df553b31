"""The wording of notices: the usual texts are what they always were, and what a keeper may change and may not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from string import Template

import pytest

from monitor.core.notices.by_calendar import daily, drill
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import CAUTION, WHOLE_CAUTION, compose, digest, remind, words_of
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.texts import PLACES, WORDINGS, WORDS, Slip, Texts, read_texts
from monitor.core.terms.times import HOUR_MS
from tests.core.notices.test_notices import NIGHT, rich
from tests.core.timeline import START, tell_of

KINDS = {kind.name: kind for kind in all_kinds()}
WORDS_OF_ALL = [words_of(kind) for kind in all_kinds()]


def moves(kind: Kind, subjects: Iterable[str], change: str, now_ms: int) -> list[Transition]:
    return [Transition(kind.name, s, change, now_ms - 1, now_ms - HOUR_MS, "") for s in subjects]  # type: ignore[arg-type]


def with_texts(snapshot: Snapshot, own: Mapping[str, str]) -> Snapshot:
    """A snapshot whose keeper has texts of their own; they have to be sound."""
    tables: dict[str, object] = {}
    for key, text in own.items():
        *path, last = key.split(".")
        table = tables
        for name in path:
            table = table.setdefault(name, {})  # type: ignore[assignment]
        table[last] = text
    found, slips = read_texts(tables, WORDS_OF_ALL)
    assert [s for s in slips if not s.advice] == []
    return replace(snapshot, room=replace(snapshot.room, texts=Texts(found)))


# -- the usual texts, written down a second time ---------------------------------------------------------------------


def line_of(look: Look) -> str:
    text = look.line or look.where
    return text[:1].upper() + text[1:]


def some(names: Sequence[str], whole: int) -> str:
    return ", ".join(names) if len(names) <= 3 else f"{', '.join(names[:whole])} and {len(names) - whole} more"


BARE = {f"s{i}": Look(f"s{i}", (), f"thing {i}", f"thing {i}: so" if i % 2 else "") for i in range(3)}


def sentences(looks: Mapping[str, Look], tail: str) -> str:
    """The first of some looks in full, and the others as they are listed."""
    first, *others = looks.values()
    text = f"{line_of(first)}{tail}"
    return text + (f"\nAlso: {', '.join(x.where for x in others)}." if others else "")


@pytest.mark.parametrize("now_ms", [NIGHT, START])
@pytest.mark.parametrize("n", [1, 3])
def test_the_usual_texts_are_byte_for_byte_what_is_written_down_here_again(n: int, now_ms: int) -> None:
    snapshot = rich(now_ms)
    since, before = ("Sun 02:30", "Sun 01:30") if now_ms == NIGHT else ("Fri 08:00", "Fri 07:00")
    looks = dict(list(BARE.items())[:n])
    names, compared = ", ".join(x.where for x in looks.values()), 0
    for kind in all_kinds():
        up = {(kind.name, s): Condition(kind.name, s, Phase.RAISED, 0, 0, None, 0) for s in looks}
        other = Condition(kind.name, "other", Phase.RAISED, now_ms - HOUR_MS, now_ms - HOUR_MS, None, now_ms)
        low = f"{kind.says[0].lower()}{kind.says[1:]}"

        def titled(says: str) -> str:
            named = f"{says}: {names}"
            return named if len(named) <= 50 else f"{says}: thing 0 and 2 more"

        tail = "." if kind.dated else f", since {since}."
        for known in ({}, {other.key: other}):
            (made,) = compose(kind, tell_of(kind, moves(kind, looks, "raised", now_ms), looks, known), looks, snapshot)
            also = kind.groups and bool(known)
            assert made.title == titled(f"Also {low}" if also else kind.says)
            severe = f"\n{CAUTION}" if made.urgency == "now" and kind.groups else ""
            rest = sentences(looks, tail)
            assert made.text == f"{kind.first}\n{rest}\nIf not: {kind.otherwise}{severe}"
            compared += 1
        for told in (1, 4):
            conditions = [replace(c, since_ms=now_ms - HOUR_MS, told=told) for c in up.values()]
            made = remind(kind, conditions, looks, snapshot)
            assert made.title == titled(f"Still {low}")
            rest = sentences(looks, tail)
            assert made.text == f"{kind.first}\n{rest}\nIf not: {kind.otherwise}\nAnswer it to end the repeats."
        if not kind.tell_cleared:
            continue
        (made,) = compose(kind, tell_of(kind, moves(kind, looks, "cleared", now_ms), looks, up), looks, snapshot)
        assert made.title == titled(kind.cleared_says or f"{kind.says}: over")
        assert made.text == f"{kind.after}\n{sentences(looks, f'. Over since {since}.')}"
        late = [
            replace(t, change="raised", since_ms=now_ms - 2 * HOUR_MS) for t in moves(kind, looks, "cleared", now_ms)
        ]
        (made,) = compose(kind, tell_of(kind, [*late, *moves(kind, looks, "cleared", now_ms)], looks), looks, snapshot)
        gone = f"{kind.says} from {before} to {since}, over before it was told. "
        assert made.text == f"{kind.after}\n{gone}{sentences(looks, '.')}"
        (made,) = compose(kind, tell_of(kind, moves(kind, ["old"], "cleared", now_ms), looks, up), looks, snapshot)
        assert made.title == "No longer watched: old"
        assert made.text == f"{kind.after}\n{kind.says}: old is no longer watched since {since}."
    assert compared == 2 * len(KINDS)


def test_every_place_has_a_meaning_and_every_usual_text_passes_its_own_check() -> None:
    named = {p for w in WORDINGS.values() for p in w.places} | {p for w in WORDS_OF_ALL for p in w.shows}
    assert named == set(PLACES)
    tables: dict[str, object] = {"kinds": {}}
    for key, wording in WORDINGS.items():
        assert Template(wording.default).is_valid()
        table = tables
        for name in key.split(".")[:-1]:
            table = table.setdefault(name, {})  # type: ignore[assignment]
        table[key.rsplit(".", 1)[1]] = wording.default
    tables["kinds"] = {w.kind: {name: getattr(w, name) for name in WORDS} for w in WORDS_OF_ALL}
    own, slips = read_texts(tables, WORDS_OF_ALL)
    assert slips == []
    assert len(own) == len(WORDINGS) + len(WORDS) * len(KINDS)


def test_the_usual_texts_as_a_keepers_own_change_nothing() -> None:
    plain = rich()
    own = with_texts(plain, {key: wording.default for key, wording in WORDINGS.items()})
    for kind in all_kinds():
        looks = {look.subject: look for look in kind.look(plain)}
        for change in ("raised", "cleared"):
            told = moves(kind, looks, change, plain.now_ms)
            assert compose(kind, tell_of(kind, told, looks), looks, plain) == compose(
                kind, tell_of(kind, told, looks), looks, own
            )
    assert (daily(plain), drill(plain)) == (daily(own), drill(own))


# -- a keeper's own --------------------------------------------------------------------------------------------------


def told(kind: str, own: Mapping[str, str], change: str = "raised", unit: str = "C") -> Notice:
    snapshot = with_texts(rich(unit=unit), own)
    looks = {look.subject: look for look in KINDS[kind].look(snapshot)}
    (made,) = compose(
        KINDS[kind], tell_of(KINDS[kind], moves(KINDS[kind], looks, change, snapshot.now_ms), looks), looks, snapshot
    )
    return made


def test_a_kinds_own_words_take_the_place_of_the_usual_ones_and_no_others() -> None:
    own = {"kinds.too-cool.first": "Call the neighbour, 555 0100, about ${where}.", "kinds.too-cool.says": "Zu kühl"}
    notice = told("too-cool", own)
    assert notice.text.startswith("Call the neighbour, 555 0100, about box a, box e.\n")
    assert notice.title == "Zu kühl: box a 24.2 °C, limit 25.0 and 1 more"
    assert f"If not: {KINDS['too-cool'].otherwise}" in notice.text
    assert told("too-warm", own) == told("too-warm", {})


def test_a_kinds_own_template_goes_before_the_keepers_for_all_and_that_before_the_usual_one() -> None:
    own = {"all.raised.title": "${room}: ${says}", "kinds.too-cool.raised.title": "Kalt: ${where}"}
    assert told("too-cool", own).title == "Kalt: box a, box e"
    assert told("too-warm", own).title == "back room: Too warm"
    assert told("too-warm", own, "cleared").title == told("too-warm", {}, "cleared").title


def test_a_line_may_be_put_in_own_words_from_the_values_in_the_keepers_unit() -> None:
    line = "${where}: ${value} (± ${uncertainty}), Grenze ${limit}, seit ${since}"
    notice = told("too-cool", {"kinds.too-cool.raised.line": line}, unit="F")
    assert notice.text.splitlines()[1].startswith("box a: 75.7 °F (± 1.0 °F), Grenze 77.0 °F, seit Sun 02:30 ")


def test_a_value_that_is_not_known_brings_the_usual_line_instead_of_none() -> None:
    line = {"kinds.too-cool.raised.line": "${where}: ${value}, ${limit}"}
    snapshot = with_texts(rich(), line)
    look = Look("a", (), "box a", "box a: nothing is known", facts={"value_c": None, "limit_c": 25.0})
    kind = KINDS["too-cool"]
    (made,) = compose(kind, tell_of(kind, moves(kind, ["a"], "raised", NIGHT), {"a": look}), {"a": look}, snapshot)
    assert made.text.splitlines()[1].startswith("Box a: nothing is known, since ")


def test_the_caution_of_a_severe_notice_cannot_be_lost() -> None:
    without = told("too-cool", {"all.raised.text": "${lines}\nGeh hin!"})
    assert without.text.endswith(f"Geh hin!\n{CAUTION}")
    assert without.story.endswith(f"Geh hin!\n{WHOLE_CAUTION}")
    within = told("too-cool", {"all.raised.text": "${caution}\n\n${lines}\n\nGeh hin!"})
    assert within.text.startswith(CAUTION)
    assert within.text.count(CAUTION) == 1
    calm = told("probe-quiet", {"all.raised.text": "${caution}\n\n${lines}\n\n${caution}\n\nGeh hin!"})
    assert CAUTION not in calm.text
    assert "\n\n\n" not in calm.text


def test_the_key_of_a_notice_does_not_depend_on_its_texts() -> None:
    everything = {key: f"{wording.default} anders" for key, wording in WORDINGS.items()}
    for kind in ("too-cool", "probe-quiet", "room-quiet"):
        for change in ("raised", "cleared"):
            assert told(kind, everything, change).key == told(kind, {}, change).key
            assert told(kind, everything, change).text != told(kind, {}, change).text
    own = with_texts(rich(), everything)
    assert [daily(own).key, drill(own).key] == [daily(rich()).key, drill(rich()).key]
    assert daily(own).text.endswith(" anders")


def test_what_could_not_be_delivered_in_time_is_told_in_one_and_in_own_words_too() -> None:
    notices = [told("too-cool", {}), replace(told("probe-quiet", {}), at_ms=NIGHT + HOUR_MS)]
    plain = digest(notices, "phone", NIGHT + HOUR_MS, rich().zone)
    assert plain.title == "Late: 2 notices since Sun 02:30"
    first, *lines = plain.text.splitlines()
    assert first.startswith("Nothing to do")
    assert lines[0].startswith("Sun 02:30  Too cool: box a 24.2 °C")
    assert lines[1].startswith("Sun 03:30  Probe quiet: ")
    own = Texts({"digest.title": "Inzwischen ${notice_count}", "digest.line": "${title} (${at})"})
    mine = digest(notices, "phone", NIGHT + HOUR_MS, rich().zone, own)
    assert (mine.title, mine.key) == ("Inzwischen 2", plain.key)
    assert "\nToo cool: box a 24.2 °C, limit 25.0 and 1 more (Sun 02:30)\n" in mine.text


def test_a_broken_template_that_got_in_all_the_same_gives_the_usual_text() -> None:
    broken = Texts({"all.raised.title": "$ ${where}", "all.raised.text": "${nothing}", "kinds.too-cool.first": "5 $"})
    snapshot = replace(rich(), room=replace(rich().room, texts=broken))
    kind = KINDS["too-cool"]
    looks = {look.subject: look for look in kind.look(snapshot)}
    (made,) = compose(kind, tell_of(kind, moves(kind, looks, "raised", NIGHT), looks), looks, snapshot)
    assert made == told("too-cool", {})


# -- mistakes --------------------------------------------------------------------------------------------------------


def slip(tables: Mapping[str, object]) -> Slip:
    own, slips = read_texts(tables, WORDS_OF_ALL)
    (found,) = [s for s in slips if not s.advice] or slips
    assert bool(own) == found.advice
    return found


@pytest.mark.parametrize(
    ("tables", "id_", "key", "says"),
    [
        ({"kinds": {"too-worm": {"first": "x"}}}, "unknown-kind", "kinds.too-worm", "did you mean too-warm?"),
        ({"al": {}}, "unknown-key", "al", "did you mean all?"),
        ({"all": {"raised": {"titel": "x"}}}, "unknown-key", "all.raised.titel", "did you mean title?"),
        ({"kinds": {"too-warm": {"frist": "x"}}}, "unknown-key", "kinds.too-warm.frist", "did you mean first?"),
        ({"all": {"raised": {"text": "${line}"}}}, "text-place", "all.raised.text", "did you mean ${lines}?"),
        ({"all": {"raised": {"title": "${wher}"}}}, "text-place", "all.raised.title", "did you mean ${where}?"),
        ({"all": {"raised": {"title": "${where} 5 $"}}}, "text-dollar", "all.raised.title", "$$ for a dollar"),
        ({"all": {"raised": {"title": "${where.x}"}}}, "text-dollar", "all.raised.title", "$$ for a dollar"),
        ({"all": {"raised": {"text": "Geh hin!"}}}, "text-lost", "all.raised.text", "put ${lines} into it"),
        ({"all": {"raised": {"line": "${where}"}}}, "text-lost", "all.raised.line", "put ${line} into it"),
        ({"kinds": {"too-cool": {"still": {"line": "${where}: ${value}"}}}}, "text-lost",
         "kinds.too-cool.still.line", "or ${where}, ${value} and ${limit}"),
        ({"all": {"raised": {"title": "a\nb"}}}, "text-sign", "all.raised.title", "one plain line"),
        ({"drill": {"text": "bell \x07"}}, "text-sign", "drill.text", "take it away"),
        ({"drill": {"text": "  "}}, "out-of-bounds", "drill.text", "take the key away"),
        ({"drill": {"text": "x" * 5000}}, "out-of-bounds", "drill.text", "up to 4000"),
        ({"drill": {"title": 5}}, "wrong-kind", "drill.title", "in quotes"),
        ({"drill": "x"}, "wrong-kind", "drill", "write it as [drill]"),
        ({"drill": {"title": "x" * 130}}, "text-long", "drill.title", "make it 50 or less"),
    ],
)  # fmt: skip
def test_each_mistake_names_its_key_and_what_to_do(tables: dict[str, object], id_: str, key: str, says: str) -> None:
    found = slip(tables)
    assert (found.id, found.key) == (id_, key)
    assert says in found.fix
    assert len(f"{found.what}{found.fix}".splitlines()) == 1


def test_one_mistake_does_not_take_the_other_texts_away() -> None:
    own, slips = read_texts(
        {"drill": {"title": "Probe $", "text": "Alles gut."}, "kinds": {"no": {}, "too-warm": {"first": "Lauf!"}}},
        WORDS_OF_ALL,
    )
    assert own == {"drill.text": "Alles gut.", "kinds.too-warm.first": "Lauf!"}
    assert [s.id for s in slips] == ["text-dollar", "unknown-kind"]
