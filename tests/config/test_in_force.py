"""What holds of the configuration: the keeper's values, else the usual ones."""

from __future__ import annotations

from pathlib import Path

from monitor.config.in_force import InForce, in_force
from monitor.config.shape import MANY, TABLES
from monitor.core.notices.kinds import all_kinds

KEYS = ("limits.too_warm_c", "limits.on_delay", "watch.uneven_c", "watch.uneven_over", "limits.too_dry_pct")


def test_the_keepers_value_stands_as_it_was_written_and_the_usual_one_as_it_could_be(tmp_path: Path) -> None:
    file = tmp_path / "room.toml"
    file.write_text('[limits]\ntoo_warm_f = 88\non_delay = "600 s"\n')
    assert in_force(KEYS, file) == [
        InForce("limits.too_warm_f", "88", own=True),
        InForce("limits.on_delay", "600 s", own=True),
        InForce("watch.uneven_c", "1", own=False),
        InForce("watch.uneven_over", "1 d", own=False),
        InForce("limits.too_dry_pct", "not set", own=False),
    ]


def test_without_a_file_or_with_one_that_is_broken_the_usual_values_are_told(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text("[limits\n")
    for file in (None, broken, tmp_path / "none.toml"):
        assert [n.value for n in in_force(KEYS, file)] == ["not set", "15 min", "1", "1 d", "not set"]


def test_every_key_that_a_kind_names_is_one_of_a_part_that_is_there_once() -> None:
    named = {key for kind in all_kinds() for key in kind.keys}
    assert "limits.on_delay" in named
    for key in named:
        part, name = key.split(".")
        assert part not in MANY
        assert name in TABLES[part].model_fields
