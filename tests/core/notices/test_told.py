"""What a woken keeper reads: a title and a text that are short, begin with what to do, and lose nothing."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.notices.by_calendar import daily
from monitor.core.notices.fitting import (
    LINE_MOST,
    TEXT_MOST,
    TITLE_MOST,
    after_first,
    against,
    clip,
    fit_list,
    fit_title,
    said,
)
from monitor.core.notices.kinds import Kind, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import CAUTION, digest
from monitor.simulation.scenes import Names, Scene, raised_by, told
from tests.examples import at_most

KINDS = all_kinds()
# What a lock screen shows: eight lines of forty characters. Judgement, no source.
LOCK_SCREEN = 320
ids = st.text("abcdefghijklmnopqrstuvwxyz0123456789-_", min_size=1, max_size=24)
PRINTED = st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp"))
words = st.one_of(
    st.sampled_from(
        ["", "ERR: timeout", "no route to the host", "x" * 400, "a b " * 90, "not JSON: {'a': 1}; more..."]
    ),
    st.text(max_size=120),
)


@st.composite
def names(draw: st.DrawFn) -> Names:
    boxes = draw(st.lists(ids, min_size=1, max_size=draw(st.sampled_from([1, 2, 3, 9, 40])), unique=True))
    return Names(
        tuple(boxes), draw(ids), draw(st.text(PRINTED, min_size=1, max_size=60)), draw(ids)[:15], draw(ids), draw(ids)
    )


scenes = st.builds(
    Scene,
    names(),
    st.sampled_from(["C", "F"]),
    st.floats(0.0, 9.0),
    st.sampled_from([0.05, 0.29, 2.0, float("inf")]),
    words,
)


def faults(kind: Kind, change: str, notice: Notice, firsts: set[str], *, plain: bool) -> list[str]:
    """What of the rule a notice breaks. ``plain``: all that others say in it is plain."""
    first = notice.text.partition("\n")[0]
    own = f"{notice.title}\n{notice.text}" if plain else ""
    found = {
        f"title of {len(notice.title)}": len(notice.title) > TITLE_MOST,
        f"first line of {len(first)}": len(first) > LINE_MOST,
        f"{after_first(notice.text)} after the first line": after_first(notice.text) > TEXT_MOST,
        f"does not begin with what to do: {first!r}": first not in firsts,
        "semicolons": ";" in own.split("\n", 2)[-1],
        "no otherwise": change in ("raised", "also", "still") and f"If not: {kind.otherwise}" not in notice.text,
        "no story": bool(notice.story) and len(notice.story) < len(notice.text),
        "a place": bool(re.search(r"\$\{|\bnan\b|\{\}", own)),
    }
    return [f"{kind.name}, {change}: {what}: {notice.title!r} / {notice.text!r}" for what, bad in found.items() if bad]


def test_a_title_that_names_nothing_ends_without_a_colon() -> None:
    assert fit_title(lambda what: f"The broker accepts again: {what}", [""], "", ()) == "The broker accepts again"
    assert fit_title(lambda what: f"{'x' * 48}: {what}", ["long enough"], "", ()) == "x" * 48
    assert fit_title(lambda what: f"Too warm: {what}", ["box a"], "a", ()) == "Too warm: box a"


@pytest.mark.slow
@given(scene=scenes)
@settings(at_most(0.03), derandomize=True)
def test_every_notice_keeps_to_the_rule_whatever_the_ids_the_boxes_and_the_values(scene: Scene) -> None:
    snapshots = list(scene.all())
    broken = []
    # What others say, and the room's name, may have any sign in them.
    plain = not re.search(r"[;${}]|nan", scene.said + scene.names.room)
    for kind in KINDS:
        for snapshot, looks in raised_by(kind, snapshots):
            firsts = {kind.first, kind.after, *(x for look in looks for x in (look.first, look.after) if x)}
            for change, notice in told(kind, snapshot, looks).items():
                broken += faults(kind, change, notice, firsts, plain=plain)
                severe = notice.urgency == "now" and kind.groups and change in ("raised", "also")
                assert notice.text.endswith(CAUTION) is severe
    assert broken == []


@pytest.mark.slow
@pytest.mark.parametrize(("n", "unit"), [(2, "C"), (3, "F"), (12, "C")])
def test_each_kind_is_among_them(unit: str, n: int) -> None:
    snapshots = list(Scene(Names(tuple(f"box{i}" for i in range(n))), unit).all())  # type: ignore[arg-type]
    assert [k.name for k in KINDS if not any(raised_by(k, [snapshot]) for snapshot in snapshots)] == []


@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_title_has_box_value_and_limit_and_a_list_has_all_boxes_with_their_values(unit: str) -> None:
    boxes = ("lower", "middle", "upper", "top")
    snapshots = list(Scene(Names(boxes), unit).all())  # type: ignore[arg-type]
    for name in ("too-warm", "too-cool"):
        kind = next(k for k in KINDS if k.name == name)
        (snapshot, looks), *_ = raised_by(kind, snapshots)
        worst = max(looks, key=lambda x: x.worse)
        made = told(kind, snapshot, looks)
        bare = worst.limit.removesuffix(f" °{unit}")
        assert made["raised"].title == f"{kind.says}: {worst.where} {worst.value}, limit {bare} and 3 more"
        for change in ("raised", "also", "still"):
            for look in looks:
                assert look.where in made[change].text.lower()
                assert look.value.removesuffix(f" °{unit}") in made[change].text
                assert look.line in made[change].whole.replace("Box", "box")


@pytest.mark.parametrize("unit", ["C", "F"])
def test_a_severe_notice_of_one_box_says_on_a_lock_screen_what_matters(unit: str) -> None:
    snapshots = list(Scene(Names(("upper-left",)), unit).all())  # type: ignore[arg-type]
    compared = 0
    for kind in (k for k in KINDS if k.groups):
        for snapshot, looks in raised_by(kind, snapshots):
            notice = told(kind, snapshot, looks)["raised"]
            if notice.urgency == "now":
                # What to do, the doubt, the value with its limit, and how near harm is; the rest is below.
                seen = f"{notice.title}\n{notice.text}".partition("\nIf not:")[0]
                assert len(seen) <= LOCK_SCREEN, notice.text
                compared += 1
    assert compared >= 8


def test_what_ends_and_is_not_safely_back_is_told_by_how_far_it_went() -> None:
    kind = next(k for k in KINDS if k.name == "too-cool")
    texts = []
    for snapshot in Scene(Names(("upper",)), "F").all():
        (look,) = kind.look(snapshot)
        if look.value.startswith("was "):
            texts.append(told(kind, snapshot, [look])["raised"])
    back = next(n for n in texts if "Not yet safely back" in n.text)
    assert back.title == "Too cool: box upper was 73.4 °F, limit 77.0"
    assert "Not yet safely back. Lowest was 73.4 °F at Thu 03:45." in back.text


@given(scene=scenes)
@at_most(0.05)
def test_the_daily_line_and_a_digest_are_bounded(scene: Scene) -> None:
    *_, snapshot = scene.all()
    made = daily(snapshot)
    assert len(made.title) <= TITLE_MOST
    assert after_first(made.text) <= TEXT_MOST
    assert all(box.box.id in made.whole for box in snapshot.boxes)
    many = [made] * 400
    late = digest(many, "phone", snapshot.now_ms, snapshot.zone)
    assert len(late.title) <= TITLE_MOST
    assert len(late.text) <= 2200
    assert late.whole.count(made.title) >= 400


# -- the parts -----------------------------------------------------------------------------------------------------


@given(st.text(min_size=1), st.integers(0, 60))
def test_a_name_that_is_cut_keeps_its_beginning_and_its_end(name: str, most: int) -> None:
    cut = clip(name, most)
    assert len(cut) <= max(most, 7)
    assert cut == name or (cut.startswith(name[:2]) and cut.endswith(name[-2:]))


@given(st.text(), st.integers(8, 80))
def test_what_others_say_is_cut_at_a_word_and_is_one_line(text: str, most: int) -> None:
    cut = said(text, most)
    assert len(cut) <= most
    assert len(cut.splitlines()) <= 1
    assert not cut.endswith(".") or cut.endswith("...")


def test_a_value_and_its_limit_have_one_unit() -> None:
    assert against("31.9 °C", "31.0 °C") == ("31.9 °C, limit 31.0", "31.9/31.0 °C")
    assert against("−0.4 °F", "0.9 °F") == ("−0.4 °F, limit 0.9", "−0.4/0.9 °F")
    assert against("2 h 05 min", "2 h") == ("2 h 05 min, limit 2 h", "2 h 05 min/2 h")
    assert against("for 3 h", "") == ("for 3 h", "for 3 h")


def test_names_that_have_no_room_are_counted() -> None:
    assert fit_list(["aaa", "bbb", "ccc"], 30) == "aaa, bbb, ccc"
    assert fit_list(["aaa", "bbb", "ccc", "ddd"], 14) == "aaa and 3 more"
    assert len(fit_list(["a" * 90, "b"], 20)) <= 20
