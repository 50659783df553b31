"""A species that no profile comes along for: written by options and by answers, found by its names, checked."""

from __future__ import annotations

import argparse
import json
import os
import pty
import random
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.cli import species_new
from monitor.config.library import load_profile
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ConfigError, UsageError
from tests.desk import Desk, room_text
from tests.peers import wait_for

LAID = datetime(2026, 5, 1, 7, tzinfo=UTC)
SNAKE = '--scientific "Inventa altera" --group snake --figure 27.8=58-62 --source memory'


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setattr(time, "time_ns", lambda: round(datetime(2026, 9, 1, tzinfo=UTC).timestamp() * 1e9))
    made = Desk(tmp_path)
    (tmp_path / "mine").mkdir()
    made.write(room_text(zone="Europe/Vienna", unit="C") + '\n[profiles]\ndir = "mine"\n')
    return made


def filled(desk: Desk, celsius: float, days: int) -> None:
    lines = ["time,upper"]
    lines += [f"{LAID + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ},{celsius}" for h in range(24 * days)]
    (desk.folder / "log.csv").write_text("\n".join(lines) + "\n")
    desk.does(f'import "{desk.folder}/log.csv" --probe upper-warmth --time-column time --value-column upper --unit C')


# -- written ------------------------------------------------------------------------------------------------------


def test_one_figure_by_options_is_a_profile_with_a_date(desk: Desk) -> None:
    told = desk.does(f"species new {SNAKE}")
    assert "inventa-altera.toml written; confidence: no source" in told
    filled(desk, 27.8, 30)
    desk.does("clutch add S01 --species inventa-altera --laid 2026-05-01 --eggs 1")
    desk.does('record set S01 --box upper --eggs 1 --at "2026-05-01 09:00"')
    (got,) = desk('forecast S01 --at "2026-05-31 08:00" --json').json
    p10, p50, p90 = (datetime.fromisoformat(got["first_pip"][p]) for p in ("p10", "p50", "p90"))
    assert (p50 - LAID) / timedelta(days=1) == pytest.approx(60.0, abs=1.5)
    assert timedelta(days=12) < p90 - p10 < timedelta(days=26)
    assert got["confidence"] == "no source"
    assert "no source" in desk.does('forecast S01 --at "2026-05-31 08:00"')
    assert "no source" in next(x for x in desk.does("species").splitlines() if x.startswith("inventa-altera"))


def test_a_table_with_its_paper_by_options(desk: Desk) -> None:
    desk.does(
        'species new --scientific "Inventa tertia" --common "third lizard" --figure 26=70x20 --figure 28=60x22 '
        '--figure 30=53 --source paper --authors "Example AB" --year 2020 --title "A paper" --journal "J 1:1-2"'
    )
    profile = load_profile("inventa-tertia", desk.folder / "mine")
    assert [(r.temperature_c, r.days, r.eggs) for r in profile.rows] == [(26, 70, 20), (28, 60, 22), (30, 53, None)]
    assert (profile.grade, profile.common_name) == ("fair", "third lizard")
    assert profile.papers[0].citation == "Example AB (2020) A paper. J 1:1-2"


def test_nothing_known_is_a_profile_without_a_forecast(desk: Desk) -> None:
    desk.does('species new --scientific "Inventa quarta"')
    assert load_profile("inventa-quarta", desk.folder / "mine").status == "no-table"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("--group snake --figure 27.8=60 --source memory", "the scientific name is missing"),
        ('--scientific "Inventa altera" --group snake --figure 27.8=60', "where the figures are from is missing"),
        ('--scientific "Inventa altera" --group snake --figure 27.8 --source own', "is no figure"),
        ('--scientific "Inventa altera" --group snake --figure 27.8=574 --source own', "574 days at 27.8 C is no"),
        ('--scientific "Inventa altera" --figure 27.8=60 --source own', "one figure is enough where the family is"),
        ('--scientific "Inventa altera" --group snake --figure 28=60 --source paper --year x', "is no year"),
    ],
)
def test_what_is_missing_or_cannot_be_is_told_and_nothing_is_written(desk: Desk, line: str, told: str) -> None:
    answer = desk(f"species new {line}")
    assert answer.code != 0
    assert told in answer.err
    assert list((desk.folder / "mine").iterdir()) == []


def test_a_file_that_is_there_is_not_written_over(desk: Desk) -> None:
    desk.does(f"species new {SNAKE}")
    before = (desk.folder / "mine" / "inventa-altera.toml").read_text()
    assert "is there already" in desk(f"species new {SNAKE.replace('58-62', '70')}").err
    assert (desk.folder / "mine" / "inventa-altera.toml").read_text() == before


def asked(answers: list[str]) -> tuple[Callable[[str], str], list[str]]:
    questions: list[str] = []

    def ask(question: str) -> str:
        questions.append(question)
        return answers[len(questions) - 1]

    return ask, questions


def test_what_options_leave_out_is_asked_for(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    known = species_new.Known(figures=[])
    ask, questions = asked(
        ["Inventa  altera", "the other", "", "snake", "82F=58-62", "nonsense", "29.5=52x9", "", "paper",
         "Example AB", "2020", "A paper", "J 1:1-2"]
    )  # fmt: skip
    species_new.ask_for_the_rest(known, "C", ask, tmp_path)
    assert len(questions) == 13
    assert "is no figure" in capsys.readouterr().out
    text, profile = species_new.written(known)
    assert [(r.temperature_c, r.eggs) for r in profile.rows] == [(27.78, None), (29.5, 9)]
    assert (profile.id, profile.common_name, profile.group) == ("inventa-altera", "the other", "snake")
    assert tomllib.loads(text)["papers"]["the-paper"]["year"] == 2020


ANSWERS = [
    "Inventa altera", "the other", "", "snake", "27.8=58-62", "30=51x9", "", "paper", "Example AB", "2020", "", "J 1:1",
]  # fmt: skip
ODD = (
    "Inventa",
    "x\udce9y",
    "a\x1b[2J",
    "27.8=62-58",
    "28=1000000",
    "82=60",
    "about 60",
    "28=60 days",
    "=",
    "28=",
    "28=2",
)


def answered(desk: Desk, answers: list[str]) -> int:
    """Those answers to the questions as the command asks them, then the end of input."""
    todo = iter(answers)

    def ask(_: str) -> str:
        try:
            return next(todo)
        except StopIteration:
            raise EOFError from None

    parser = argparse.ArgumentParser()
    species_new.add_options(parser)
    parser.set_defaults(config=str(desk.folder / "room.toml"), data=None)
    code = species_new.run_new(parser.parse_args([]), ask)
    assert list(todo) == []
    return code


def test_answers_that_cannot_be_are_asked_for_again_and_change_nothing(desk: Desk) -> None:
    assert answered(desk, ANSWERS) == 0
    file = desk.folder / "mine" / "inventa-altera.toml"
    plain = file.read_text()
    # What is odd to each question; what a name, a title or a family is cannot be judged.
    odd = {
        0: [x for x in ODD if x != ""] + [""],
        3: [*ODD, "", "snakes"],
        4: list(ODD),
        5: list(ODD),
        7: [*ODD, "", "papers"],
        8: ["", "\x07"],
        9: ["", "20", "year", "20200", "-200"],
        11: ["", "\x7f"],
    }
    rng = random.Random(3)
    for _ in range(5):
        file.unlink()
        said = [
            x
            for i, right in enumerate(ANSWERS)
            for x in (*rng.sample(odd.get(i, []), min(3, len(odd.get(i, [])))), right)
        ]
        assert answered(desk, said) == 0
        assert file.read_text() == plain


def test_figures_that_make_no_table_are_asked_for_again_and_the_rest_is_not_lost(desk: Desk) -> None:
    figures = ["28=60", "28=90", "", "28=1000", "", "24=60", "28=70", "30=80", "", "27.8=58-62", "30=51x9", ""]
    assert answered(desk, [*ANSWERS[:4], *figures, *ANSWERS[7:]]) == 0
    assert [r.days_told for r in load_profile("inventa-altera", desk.folder / "mine").rows] == ["58 to 62", "51"]


@pytest.mark.parametrize("heard", range(len(ANSWERS)))
def test_answers_that_end_early_write_nothing(desk: Desk, heard: int) -> None:
    with pytest.raises(UsageError, match="nothing is written"):
        answered(desk, ANSWERS[:heard])
    assert list((desk.folder / "mine").iterdir()) == []


@pytest.mark.parametrize("last", [b"\x04", b"\x03"], ids=["end of input", "interrupted"])
def test_at_a_terminal_somebody_gives_up(desk: Desk, last: bytes) -> None:
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "monitor", "species", "new", "--config", str(desk.folder / "room.toml")]
    # Whoever starts the tests in the background has them ignore an interrupt, and what they start inherits that.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    running = subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    signal.signal(signal.SIGINT, before)
    try:
        os.write(ours, b"Inventa altera\nthe other\n")
        assert running.stdout is not None
        told_so_far = running.stdout.fileno()
        wait_for(lambda: b"Family" in os.read(told_so_far, 4096), seconds=20.0)
        if last == b"\x03":
            running.send_signal(signal.SIGINT)
        else:
            os.write(ours, last)
        told = running.communicate(timeout=20)[1].decode()
    finally:
        running.kill()
        os.close(theirs)
        os.close(ours)
    assert "Traceback" not in told
    assert running.returncode == (130 if last == b"\x03" else 2)
    assert list((desk.folder / "mine").iterdir()) == []


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("Elaphe taeniura", "came along with confidence 'good', and yours ('no source') would take its place"),
        ("pantherophis  guttatus", "came along with confidence 'no source'"),
        ("Elaphe guttata", "is another name of pantherophis-guttatus"),
        ("Corn snake", "is another name of pantherophis-guttatus"),
        ("Chamaeleo calyptratus", "no figure makes a forecast of it: the embryo rests in the egg"),
    ],
)
def test_what_came_along_is_not_made_worse(desk: Desk, name: str, told: str) -> None:
    answer = desk(f'species new --scientific "{name}" --group snake --figure 27.8=58-62 --source memory')
    assert answer.code == 2
    assert told in answer.err
    assert list((desk.folder / "mine").iterdir()) == []


def test_what_is_worth_more_takes_the_place_of_what_came_along_and_keeps_its_names(desk: Desk) -> None:
    paper = '--source paper --authors "Example AB" --year 2020 --journal "J 1:1"'
    told = desk.does(f'species new --scientific "Pantherophis guttatus" --figure 27.8=60x12 {paper}')
    assert "takes the place of the one that came along (no source)" in told
    assert "confidence: one figure" in desk('species "corn snake"').out


@pytest.mark.parametrize("unit", ["C", "F"])
def test_the_examples_of_a_figure_can_be_typed_as_they_stand(unit: DisplayUnit) -> None:
    rows = [species_new.figure(x.split()[-1], unit) for x in species_new.FIGURE[unit].split(",")]
    assert all(27.7 <= row["temperature_c"] <= 27.8 for row in rows)
    assert [sorted(row) for row in rows] == [
        ["days", "temperature_c"], ["days_high", "days_low", "temperature_c"], ["days", "eggs", "temperature_c"],
    ]  # fmt: skip
    other: DisplayUnit = "F" if unit == "C" else "C"
    for text in species_new.FIGURE[other].split(","):
        with pytest.raises(UsageError, match=rf"°{unit} no eggs are kept") as caught:
            species_new.figure(text.split()[-1], unit)
        told = caught.value.fix.rpartition(" ")[2]
        assert 27.7 <= species_new.figure(told, unit)["temperature_c"] <= 27.8


def test_a_family_that_is_known_needs_no_group(tmp_path: Path) -> None:
    known = species_new.Known()
    ask, questions = asked(["Inventa altera", "", "Pythonidae", "31.7=54-60", "", "practice"])
    species_new.ask_for_the_rest(known, "C", ask, tmp_path)
    assert not any("Group" in question for question in questions)
    assert species_new.written(known)[1].group == "snake"


def test_without_a_folder_of_ones_own_the_one_beside_the_store_is_made(desk: Desk) -> None:
    desk.write(room_text(zone="Europe/Vienna", unit="C"))
    desk.does(f"species new {SNAKE}")
    assert "confidence: no source" in desk.does("species inventa-altera")


def test_options_hold_what_was_typed() -> None:
    parser = argparse.ArgumentParser()
    species_new.add_options(parser)
    known = species_new.from_options(parser.parse_args(["--scientific", " Inventa  altera ", "--figure", "82=60"]), "F")
    assert known.scientific == "Inventa altera"
    assert known.figures == [{"temperature_c": 27.78, "days": 60.0}]
    with pytest.raises(UsageError):
        species_new.written(species_new.Known(scientific="Inventa"))
    with pytest.raises(ConfigError):
        species_new.written(
            species_new.Known("Inventa altera", group="snake", figures=[{"temperature_c": 60.0}], source="own")
        )


# -- found by its names -------------------------------------------------------------------------------------------


def test_a_clutch_is_added_by_a_common_name_and_it_is_said_how_it_was_taken(desk: Desk) -> None:
    told = desk.does('clutch add K01 --species "corn snake" --laid 2026-05-01 --eggs 12')
    assert "'corn snake' is taken as pantherophis-guttatus (Pantherophis guttatus, corn snake)" in told
    assert desk("clutch show K01 --json").json["species"] == "pantherophis-guttatus"
    told = desk.does('record correct 1 --species "Elaphe obsoleta"')
    assert "is taken as pantherophis-obsoletus" in told
    assert desk('clutch add K02 --species "gecko" --laid 2026-05-01 --eggs 2').code == 6


# -- checked ------------------------------------------------------------------------------------------------------


def test_check_names_the_file_and_the_row_that_does_not_fit(desk: Desk) -> None:
    desk.does(f"species new {SNAKE}")
    assert "no mistakes" in desk.does("check")
    file = desk.folder / "mine" / "inventa-quinta.toml"
    rows = ", ".join(
        f'{{ temperature_c = {t}, days = {d}, paper = "own clutches" }}'
        for t, d in ((24.0, 78.0), (26.0, 66.0), (28.0, 574), (30.0, 50.0))
    )
    file.write_text(f'scientific_name = "Inventa quinta"\nrows = [{rows}]\n')
    answer = desk("check")
    assert answer.code == 3
    assert f"{file}: " in answer.out
    assert "574 days at 28 C: does not fit the others, which say about 57 days there" in answer.out
    assert "1 species file with mistakes: the service starts, and their eggs get no date" in answer.out
    found = [m for m in json.loads(desk("check --json").out)["mistakes"] if m["id"] == "species-file"]
    assert [(m["level"], m["file"]) for m in found] == [("mistake", str(file))]
    # What is odd and could still be so is advice.
    file.write_text(file.read_text().replace("574", "57.4").replace("78.0", "110.0"))
    answer = desk("check")
    assert answer.code == 0
    assert "advice: rows, 110 days at 24 C does not fit the others" in answer.out


# -- what kills, and what is past ---------------------------------------------------------------------------------


def test_no_date_is_worked_out_for_what_kills_the_eggs(desk: Desk) -> None:
    filled(desk, 27.0, 30)
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 6")
    desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    for plan in ("45", '"45 until 2026-06-10, 27"', "36.5"):
        answer = desk(f'forecast K01 --at "2026-05-31 08:00" --assume {plan}')
        assert answer.code == 2
        assert "kills eggs of elaphe-taeniura" in answer.err
        assert "at 32.0 °C at the warmest" in answer.err
    assert desk('forecast K01 --at "2026-05-31 08:00" --assume 33').code == 0


def test_set_points_of_a_lot_whose_time_is_past_are_refused_with_the_reason(desk: Desk) -> None:
    filled(desk, 27.0, 100)
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 6")
    desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    assert "first pip by the temperature kept" in desk.does('forecast K01 --set-points --at "2026-05-31 08:00"')
    assert "its window is past" in desk.does('forecast K01 --set-points --at "2026-08-08 08:00"')
    assert desk('forecast K01 --set-points --at "2026-08-08 08:00" --json').json[0]["set_points"] == []
    desk.does('record pipped K01 --box upper --eggs 1 --at "2026-07-01 08:00" --not-yet-at "2026-06-30 08:00"')
    assert "its first pip was seen" in desk.does('forecast K01 --set-points --at "2026-07-02 08:00"')


def test_set_points_without_a_date_say_why_with_the_reason_of_the_forecast(desk: Desk) -> None:
    filled(desk, 27.0, 30)
    for name, species, box in (("K01", "elaphe-taeniura", "lower"), ("K02", "chamaeleo-calyptratus", "upper")):
        desk.does(f"clutch add {name} --species {species} --laid 2026-05-01 --eggs 6")
        desk.does(f'record set {name} --box {box} --eggs 6 --at "2026-05-01 09:00"')
        told = desk.does(f'forecast {name} --set-points --at "2026-05-01 10:00"')
        (reason,) = (line.partition("no date: ")[2] for line in told.splitlines() if "no date: " in line)
        assert f"no set points: {reason}" in told


def test_a_month_mistyped_is_told_at_once(desk: Desk) -> None:
    filled(desk, 27.0, 62)
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 6")
    desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    told = desk.does('record pipped K01 --eggs 1 --at "2026-05-29 08:00"')
    assert "K01 in upper gets no date: it is told to have pipped at 42 % of its development" in told
    assert "no date" not in desk.does('record correct 3 --at "2026-06-29 08:00"')
    assert "gets no date" not in desk.does('record hatched K01 --eggs 1 --at "2026-06-30 08:00"')
    assert "first pip: 1 egg seen at 2026-06-29 08:00" in desk.does('forecast K01 --at "2026-07-01 08:00"')


def test_what_is_finished_or_waits_for_nothing_says_so(desk: Desk) -> None:
    filled(desk, 27.0, 60)
    came_of_it = {"candled": "infertile", "dead": "lost otherwise"}
    for name, last in (("K01", "dead"), ("K02", "removed"), ("K03", "hatched"), ("K04", "candled")):
        desk.does(f"clutch add {name} --species elaphe-taeniura --laid 2026-05-01 --eggs 6")
        desk.does(f'record set {name} --box upper --eggs 6 --at "2026-05-01 09:00"')
        more = "--fertile 0" if last == "candled" else "--eggs 6"
        desk.does(f'record {last} {name} {more} --at "2026-06-20 09:00"')
        told = desk.does(f'forecast {name} --all --at "2026-06-21 09:00"')
        assert f"6 {came_of_it.get(last, last)}" in told
        assert ("no egg is waited for" if last == "candled" else "nothing of it lies there any more") in told
        assert "wait until" not in told
