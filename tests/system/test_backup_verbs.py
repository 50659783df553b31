"""Backup, verify, restore and repair as a keeper types them: what comes back says the same as what was kept."""

from __future__ import annotations

import json
import shutil
import sqlite3
import stat
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store import ServiceLock
from monitor.adapters.store.answers import secret_of
from monitor.core.terms.events import Reading
from tests.desk import Desk, part, room_text

LAID = datetime(2025, 5, 1, 6, tzinfo=UTC)
HOURS = 24 * 20
T0_MS = round(datetime(2024, 5, 1, tzinfo=UTC).timestamp() * 1000)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """Two boxes of one clutch after twenty days, a species of the keeper's own, a password, a person."""
    made = Desk(tmp_path / "house")
    made.folder.mkdir()
    (made.folder / "broker.password").write_text("not-for-others\n")
    (made.folder / "broker.password").chmod(0o600)
    (made.folder / "texts.toml").write_text("")
    (made.folder / "broker.words").write_text("--port 1884\n")
    text = room_text(zone="Europe/Vienna", limits={"too_warm_c": 31.0, "too_cool_c": 25.0})
    text = text.replace(
        'host = "127.0.0.1"\n', 'host = "127.0.0.1"\nusername = "w"\npassword_file = "broker.password"\n'
    )
    text += part("[texts]", file="texts.toml") + part("[[channels]]", id="bell", url_env="BELL_ADDRESS")
    made.write(text)
    rows = [
        f"{LAID + timedelta(hours=h):%Y-%m-%dT%H:%MZ},{28.4 + h % 5 / 10:.2f},{27.5 + h % 3 / 10:.2f}"
        for h in range(HOURS)
    ]
    (tmp_path / "log.csv").write_text("\n".join(["time,upper,lower", *rows]) + "\n")
    for box in ("upper", "lower"):
        made.took(f'import "{tmp_path}/log.csv" --probe {box}-warmth --time-column time --value-column {box} --unit C')
    made.does("clutch add K01 --species elaphe-taeniura --laid 2025-05-01 --eggs 12")
    for box in ("upper", "lower"):
        made.does(f'record set K01 --box {box} --eggs 6 --at "2025-05-01 18:00"')
    (made.data / "species").mkdir()
    profile = next((Path(__file__).parents[2] / "config" / "species").glob("*.toml"))
    shutil.copy(profile, made.data / "species" / "of-my-own.toml")
    secret_of(made.data)
    return made


def shown(desk: Desk) -> list[Any]:
    """What the room says at one moment."""
    at = '--at "2025-05-21 08:00"'
    told = (f"forecast {at}", "notices", "clutch show K01")
    return [desk.does("export"), *(desk.took(f"{words} --json").json for words in told)]


def backed_up(desk: Desk, more: str = "") -> dict[str, Any]:
    told: dict[str, Any] = desk.took(f'backup "{desk.folder.parent / "backups"}" --json {more}').json
    return told


def elsewhere(folder: Path) -> Desk:
    return Desk(folder)


def damage(desk: Desk, sql: str) -> None:
    with sqlite3.connect(desk.data / "warmtally.db") as connection:
        connection.execute(sql)
    connection.close()


def test_a_room_that_was_restored_says_the_same(desk: Desk, tmp_path: Path) -> None:
    told = backed_up(desk)
    backup = Path(told["backup"])
    assert told["not_in_it"] == ["channels.url_env: the variable BELL_ADDRESS"]
    assert json.loads((backup / "manifest.json").read_text())["files"].keys() == {
        *(f"data/{name}" for name in ("warmtally.db", "answers.secret", "species/of-my-own.toml")),
        *(f"room/{name}" for name in ("room.toml", "broker.password", "broker.words", "texts.toml")),
    }
    before = shown(desk)
    new = elsewhere(tmp_path / "new")
    said = new.does(f'restore "{tmp_path / "backups"}"')
    assert "was not in the backup, put it back yourself: channels.url_env" in said
    assert shown(new) == before
    assert secret_of(new.data) == secret_of(desk.data)
    for name in ("room.toml", "broker.password", "texts.toml"):
        assert (new.folder / name).read_bytes() == (desk.folder / name).read_bytes()
    # And what comes from then on comes in.
    new.does('record candled K01 --box upper --alive 6 --at "2025-05-21 09:00"')


def test_nobody_else_can_read_a_backup_or_what_comes_of_it(desk: Desk, tmp_path: Path) -> None:
    backup = Path(backed_up(desk)["backup"])
    for path in (backup, *backup.rglob("*")):
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path
    new = elsewhere(tmp_path / "new")
    new.does(f'restore "{backup}"')
    for path in (new.data / "warmtally.db", new.data / "answers.secret", new.folder / "broker.password"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


def test_the_oldest_good_ones_go_once_the_new_one_is_good(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.cli import backup as verb

    names = []
    for second in range(4):
        monkeypatch.setattr(verb, "now_ms", lambda s=second: 1_750_000_000_000 + s * 1000)
        names.append(Path(backed_up(desk, "--keep 2")["backup"]).name)
    folder = desk.folder.parent / "backups"
    assert sorted(p.name for p in folder.iterdir() if p.is_dir()) == names[-2:]
    # One that is no backup any more is not counted, and not touched.
    (folder / names[-1] / "manifest.json").unlink()
    monkeypatch.setattr(verb, "now_ms", lambda: 1_750_000_009_000)
    backed_up(desk, "--keep 2")
    assert {p.name for p in folder.iterdir() if p.is_dir()} >= {names[-2], names[-1]}
    # A clock that stood at 1970 costs neither the new one nor all of the others.
    monkeypatch.setattr(verb, "now_ms", lambda: 1000)
    new = Path(backed_up(desk, "--keep 2")["backup"])
    assert new.is_dir()
    assert len([p for p in folder.iterdir() if (p / "manifest.json").exists()]) == 2


def test_a_damaged_store_is_no_backup_and_none_of_before_goes(desk: Desk) -> None:
    good = Path(backed_up(desk)["backup"])
    damage(desk, "UPDATE chunk SET blob=x'00' WHERE id=2")
    answer = desk(f'backup "{good.parent}" --keep 1')
    assert answer.code == 16
    assert "the copy is not whole" in answer.err
    assert [p.name for p in good.parent.iterdir() if p.is_dir()] == [good.name]


def test_a_backup_may_be_looked_through_again_and_again_and_nothing_is_laid_beside_it(desk: Desk) -> None:
    backup = Path(backed_up(desk)["backup"])
    there = sorted(p.name for p in (backup / "data").iterdir())
    for _ in range(2):
        assert desk.does(f'verify "{backup}"').endswith(": whole\n")
    assert sorted(p.name for p in (backup / "data").iterdir()) == there


@pytest.mark.parametrize("name", ["data/warmtally.db", "room/room.toml", "data/answers.secret", "manifest.json"])
def test_any_bit_of_a_backup_that_flips_is_found_and_nothing_of_it_is_put_back(
    desk: Desk, tmp_path: Path, name: str
) -> None:
    backup = Path(backed_up(desk)["backup"])
    raw = bytearray((backup / name).read_bytes())
    raw[len(raw) // 3] ^= 16
    (backup / name).write_bytes(raw)
    answer = desk(f'verify "{backup}" --json')
    assert answer.code == 16
    assert not answer.json["whole"]
    new = elsewhere(tmp_path / "new")
    refused = new(f'restore "{backup}"')
    assert refused.code == 16
    assert not (new.folder / "room.toml").exists()
    assert not (new.data / "warmtally.db").exists()


def test_where_none_is_good_it_is_said_what_the_newest_lacks(desk: Desk, tmp_path: Path) -> None:
    backup = Path(backed_up(desk)["backup"])
    store = backup / "data" / "warmtally.db"
    store.write_bytes(store.read_bytes()[:5000])
    refused = elsewhere(tmp_path / "new")(f'restore "{backup.parent}"')
    assert refused.code == 16
    assert f"({backup.name}: data/warmtally.db has not the size that it had)" in refused.err
    (backup / "manifest.json").unlink()
    assert "its list of files is not there" in elsewhere(tmp_path / "new")(f'restore "{backup.parent}"').err


def test_no_store_is_written_over_and_no_service_disturbed(desk: Desk, tmp_path: Path) -> None:
    backup = Path(backed_up(desk)["backup"])
    refused = desk(f'restore "{backup}"')
    assert refused.code == 10
    assert "--aside" in refused.err
    lock = ServiceLock(desk.data)
    for words in (f'restore "{backup}" --aside', "repair"):
        assert desk(words).code == 12, words
    lock.release()
    desk.does('record candled K01 --box upper --alive 6 --at "2025-05-21 09:00"')
    after = shown(desk)
    (desk.folder / "texts.toml").write_text("# mine\n")
    said = desk.took(f'restore "{backup}" --aside --json').json
    assert shown(desk) != after
    kept = {Path(p).name: Path(p) for p in said["aside"]}
    assert kept["texts.toml"].read_text() == "# mine\n"
    old = elsewhere(tmp_path / "old")
    shutil.copytree(kept["warmtally.db"].parent, old.data)
    shutil.copy(desk.folder / "room.toml", old.folder / "room.toml")
    (old.folder / "broker.password").write_text("not-for-others\n")
    (old.folder / "texts.toml").write_text("")
    assert shown(old) == after


def test_a_store_that_vanished_is_told_with_restore_and_comes_back(desk: Desk) -> None:
    backup = Path(backed_up(desk)["backup"])
    before = shown(desk)
    (desk.data / "warmtally.db").unlink()
    refused = desk("clutch list")
    assert refused.code == 15
    assert "warmtally restore" in refused.err
    desk.does(f'restore "{backup}"')
    assert shown(desk) == before


def test_a_whole_store_is_whole_and_not_touched(desk: Desk) -> None:
    before = (desk.data / "warmtally.db").read_bytes()
    assert desk.took("verify --json").json["found"] == []
    assert "nothing to repair" in desk.does("repair")
    assert (desk.data / "warmtally.db").read_bytes() == before


def test_a_damaged_hour_goes_aside_and_what_that_means_is_told(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    now_ns = round((LAID + timedelta(days=20)).timestamp() * 1e9)
    monkeypatch.setattr(time, "time_ns", lambda: now_ns)
    damage(
        desk,
        "UPDATE chunk SET blob=x'00' WHERE probe=1 AND hour IN (SELECT hour FROM chunk WHERE probe=1 LIMIT 2 OFFSET 4)",
    )
    told = desk("verify --json")
    assert told.code == 14
    assert [f["probe"] for f in told.json["found"]] == ["upper-warmth"] * 2
    answer = desk("repair")
    assert answer.code == 0, answer.err
    assert "probe upper-warmth, 2025-05-0" in answer.out
    assert "K01/upper: up to 48 h of its time are filled now, not measured; its first pip between" in answer.out
    (aside,) = desk.data.glob("damaged-*")
    assert (aside / "warmtally.db").is_file()
    assert (aside / "rows.jsonl").read_text().count('"chunk"') == 2
    assert desk.took("verify --json").json["whole"]
    assert "K01/upper" in desk.does('forecast --at "2025-05-21 08:00"')


def test_what_a_backup_has_of_what_is_damaged_comes_back(desk: Desk) -> None:
    backed_up(desk)
    before = shown(desk)
    damage(
        desk,
        "UPDATE chunk SET blob=x'00' WHERE probe=1 AND hour IN (SELECT hour FROM chunk WHERE probe=1 LIMIT 2 OFFSET 4)",
    )
    damage(desk, "UPDATE event SET body='{' WHERE id=2")
    told = desk.took(f'repair --from "{desk.folder.parent / "backups"}" --json').json
    assert told["missing"] == []
    assert told["from_backups"] == 3
    assert shown(desk) == before


def test_old_days_in_means_are_kept_looked_through_and_put_back_as_they_are(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    later_ms = round((LAID + timedelta(days=1400)).timestamp() * 1000)
    with desk.store() as store:
        rows = [Reading("upper-warmth", T0_MS + k * 60_000, 28 + k % 7 / 16, T0_MS + k * 60_000) for k in range(7000)]
        store.journal.ingest([*rows, Reading("upper-warmth", later_ms, 28.0, later_ms)])
        store.folding.fold(later_ms + 3 * 86_400_000)
        while store.folding.pack(later_ms + 3 * 86_400_000):
            pass
        store.db.connection.execute("DELETE FROM dirty")
        assert store.thinning.thin(later_ms + 3 * 86_400_000, 1100, 60.0).days > 3
    monkeypatch.setattr(time, "time_ns", lambda: (later_ms + 3 * 86_400_000) * 1_000_000)
    before = desk.took("export").out
    assert "before" in desk.took(f'export --out "{desk.folder}/e.csv"').out
    again = "--probe upper-warmth --time-column time_utc --value-column value --unit C --only probe=upper-warmth"
    for dry in ("--dry-run", ""):
        told = desk.took(f'import "{desk.folder}/e.csv" {again} {dry}').out
        assert "new 0, known already" in told, "what was exported doubles nothing"
    assert desk.took("export").out == before
    backed_up(desk)
    assert desk.took("verify").code == 0
    with sqlite3.connect(desk.data / "warmtally.db") as c:
        number, blob = c.execute("SELECT id, blob FROM chunk WHERE substr(blob, 1, 2)=X'5733' LIMIT 1").fetchone()
        torn = bytearray(blob)
        torn[len(torn) // 2] ^= 4
        c.execute("UPDATE chunk SET blob=? WHERE id=?", (bytes(torn), number))
    c.close()
    found = desk("verify")
    assert found.code != 0
    assert "upper-warmth" in found.out + found.err
    desk.took(f'repair --from "{desk.folder.parent / "backups"}"')
    assert desk.took("export").out == before
    assert desk.took("verify").code == 0
