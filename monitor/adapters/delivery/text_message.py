"""The short form of a notice: all of it in one text message, for channels that ask for it.

A text message has 160 characters of the alphabet that phones share (3GPP TS 23.038, 6.2.1; its table from memory), or
70 of any other once a single one is not among them (UCS-2, in units of 16 bits). So what the program itself writes is
put into that alphabet, as "31.9 C" for "31.9 °C"; what a keeper wrote is left as it is.
"""

from __future__ import annotations

from typing import Final

SHARED: Final = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿"
    "abcdefghijklmnopqrstuvwxyzäöñüà"
)
"""What counts for one character."""
TWICE: Final = frozenset("^{}\\[~]|€\f")
"""What counts for two."""
OF_SHARED: Final = 160
OF_OTHERS: Final = 70
# Between title and body: what the address library puts there where a service has no title, "\r\n".
_BETWEEN: Final = 2
_PLAIN: Final = {" °": " ", "°": "", "±": "+/-", "−": "-", "…": "...", "–": "-", "—": "-", "’": "'", "“": '"', "”": '"'}


def fits(text: str, taken: int = 0) -> bool:
    """Whether a text goes into one message of which so many characters are taken."""
    if all(c in SHARED or c in TWICE for c in text):
        return len(text) + sum(c in TWICE for c in text) + taken <= OF_SHARED
    return len(text.encode("utf-16-le")) // 2 + taken <= OF_OTHERS


def plain(text: str) -> str:
    """In the alphabet that phones share, as far as its signs have a like there."""
    for sign, like in _PLAIN.items():
        text = text.replace(sign, like)
    return text


def short_form(title: str, text: str, invitation: str, last: str) -> tuple[str, str]:
    """Title and body that together fit: what, what to do first, the way to answer, the number, and of the rest as much
    as there is room for. Where not even these fit, those behind are left out, and the title is cut last."""
    title, invitation = plain(title), plain(invitation)
    lines = [line for line in plain(text).splitlines() if line]
    first, rest = (lines[0], " ".join(lines[1:])) if lines else ("", "")

    def body(*parts: str) -> str:
        return "\n".join(p for p in parts if p)

    def good(made: str) -> bool:
        return fits(f"{title}{made}", _BETWEEN)

    kept: list[str] = [last]
    for made in ([first, last], [first, invitation, last]):
        if good(body(*made)):
            kept = made
    if kept[0] == first:
        said = ""
        for sentence in _sentences(rest):
            longer = f"{said} {sentence}".strip()
            if not good(body(first, longer, *kept[1:])):
                break
            said = longer
        kept = [first, said, *kept[1:]]
    while title and not good(body(*kept)):
        title = title[:-1]
    return title, body(*kept)


def _sentences(text: str) -> list[str]:
    parts = text.replace(". ", ".\0").split("\0")
    return [p for p in parts if p]
