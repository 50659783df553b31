"""The words of the page: a table of texts for each language, by key, and how one is looked up."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from string import Template
from typing import Final

LANGUAGES: Final = ("en", "de")
USUAL: Final = "en"


@cache
def table(language: str) -> Mapping[str, str]:
    """Every text of a language, by its key: "box.now". Raises KeyError for a language that there is not."""
    if language not in LANGUAGES:
        raise KeyError(language)
    found = tomllib.loads((Path(__file__).parent / f"{language}.toml").read_text(encoding="utf-8"))
    return {f"{part}.{key}": text for part, texts in found.items() for key, text in texts.items()}


def saying(language: str, own: str = "") -> Callable[..., str]:
    """``say(key, place=value)`` of a language. What it lacks is said in English; a key that English lacks is a mistake
    of ours and raises KeyError. ``own``: a part whose texts stand in for others, as "rooms.all.caution" for
    "all.caution"."""
    texts, usual = table(language), table(USUAL)

    def say(key: str, /, **places: object) -> str:
        key = f"{own}.{key}" if f"{own}.{key}" in usual else key
        text = texts.get(key) or usual[key]
        return Template(text).substitute(places) if places else text.replace("$$", "$")

    return say
