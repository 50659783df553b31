"""What can be wrong with a configuration: ids that stay, with their meaning, and how a finding is told."""

from __future__ import annotations

from dataclasses import field
from typing import Final, Literal

from monitor.values import dataclass

# "text": a mistake in the wording of notices, which stops nothing: the usual text stands in.
Level = Literal["mistake", "text", "advice"]


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing wrong with the configuration; only those of level "mistake" keep the service from starting."""

    id: str
    file: str
    key: str
    what: str
    fix: str
    level: Level = "mistake"

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        return f"{place}: {'advice: ' if self.level == 'advice' else ''}{self.what}; {self.fix}"


MISTAKES: Final[dict[str, str]] = {
    "no-file": "the configuration file is not there or cannot be read",
    "not-text": "the configuration file is not UTF-8 text",
    "syntax": "the file is not TOML; line and column are given",
    "unknown-key": "a key or part that does not exist; the nearest existing one is named",
    "missing-key": "a key that must be there is not",
    "missing-part": "a part that must be there is not",
    "wrong-kind": "text where a number belongs, one table where a list of tables belongs, and the like",
    "not-one-of": "a value that is not one of the few allowed",
    "out-of-bounds": "a number, time or text outside what can be meant",
    "bad-duration": "a time span that is not a number of seconds nor a number with s, min, h or d",
    "bad-zone": "a time zone that does not exist",
    "bad-id": "an id with other than letters, digits, dot, hyphen and underscore",
    "bad-topic": "a topic that no message can arrive on",
    "wildcard-topic": "a probe's topic with + or #",
    "bad-pointer": "a JSON pointer that does not follow RFC 6901",
    "bad-clock": "a time of day that is not HH:MM",
    "bad-address": "an address without scheme://, or of a scheme that cannot work there",
    "id-twice": "the same id for two things of one kind",
    "unknown-box": "a probe in a box that does not exist",
    "unknown-stack": "a probe at a stack that does not exist",
    "no-place": "a probe without box, and without stack and height_cm",
    "place-twice": "a probe with a box and a stack or height of its own",
    "same-reading-twice": "two probes that read the same value of the same topic",
    "two-payload-forms": "one topic taken as the bare number by one probe and as JSON by another",
    "pointers-unfit": "pointers of one probe that do not go together",
    "unit-unfit": "a key in degrees for a probe in per cent, or the other way round",
    "uncertainty-twice": "both an accuracy and a standard uncertainty for one probe",
    "quiet-before-interval": "a probe or room called quiet sooner than a reading is due",
    "gap-below-interval": "a probe that reports more seldom than a limit's delay can follow",
    "unknown-gateway": "a probe that names a gateway which does not exist",
    "gateway-unfit": "a gateway whose topic is taken, or whose gone and here are the same",
    "scale-unfit": "keys of a scale that do not go together, or two scales under a box",
    "calendar-unfit": "a calendar that nobody could read: its folder, or the page that would serve it, is not there",
    "battery-unfit": "keys of a battery that do not go together, or a battery of no probe",
    "status-topic-taken": "the service's own status, or the room's state, on a topic that a probe or gateway has",
    "state-unfit": "the room's state without a status_topic below which it would be said",
    "limit-twice": "the same limit in C and in F",
    "limit-out-of-range": "a limit outside -10 to 50 degrees Celsius",
    "limits-crossed": "too_cool not below too_warm",
    "deadband-too-wide": "a deadband as wide as the span it should fit into",
    "unknown-kind": "a channel or a text for a kind of condition that does not exist",
    "reserved-id": "a channel called log, which is always there",
    "quiet-hours-unfit": "quiet hours with only one end, or of no length",
    "bad-listen": "a place for the page that is not a host with a port",
    "page-unfit": "a key of [page] and its old name in [answers] that say different things",
    "answers-unfit": "keys of [answers] that do not go together, or a topic that something else has",
    "text-place": "a place ${...} in a notice's text that does not exist there",
    "text-dollar": "a dollar sign alone in a notice's text",
    "text-lost": "a notice's text without a place that must not be lost, such as ${lines}",
    "text-sign": "a control character in a notice's text, or a line break in a title",
    "tls-unfit": "certificate files that do not go together",
    "file-missing": "a file or folder named in the configuration is not there",
    "secret-inline": "a password or token written in the configuration itself",
    "secret-source": "no source, or more than one, for a password, token or address",
    "secret-missing": "the file or environment variable that should hold a secret is not there",
    "secret-unreadable": "the file that holds a secret cannot be read, or is not one line of text",
    "secret-empty": "the file or environment variable that should hold a secret is empty",
    "password-alone": "a broker password without username",
    "key-gone": "advice: a key of an earlier version that is no longer read; what holds instead is told",
    "secret-open": "advice: a secret's file can be read by everybody on the computer",
    "address-may-be-secret": "advice: a channel's address that often carries a token, written in the configuration",
    "no-channels": "advice: no channel, so notices only reach the log",
    "nobody-woken": "advice: no channel takes urgency now",
    "no-limits": "advice: neither the room nor any box has a limit",
    "no-heartbeat": "advice: nothing outside notices when this computer dies",
    "backup-beside": "advice: backups on the very disk on which the store lies",
    "box-unmeasured": "advice: a box without temperature probe in it or elsewhere in its stack",
    "login-in-clear": "advice: a login or token crosses the network without TLS",
    "answers-in-clear": "advice: passphrases, and links that answer notices, go over the network without https",
    "answers-open": "advice: bare numbers answer notices at a broker that asks for no login",
    "answers-unreachable": "advice: an address that a phone cannot reach the page by, or none",
    "low-port": "advice: a port that a service without special rights may not listen at",
    "gateway-alone": "advice: a gateway that no probe names",
    "quiet-too-soon": "advice: one lost message is enough to call a probe quiet",
    "text-long": "advice: a title that many a channel cuts",
    "port-unlike-tls": "advice: TLS on the usual port without it, or the other way round",
}
"""Every id a :class:`Mistake` can have, with its meaning."""


@dataclass(slots=True)
class Findings:
    """Collects mistakes and advice about one file."""

    file: str
    all: list[Mistake] = field(default_factory=list)

    def mistake(self, mistake_id: str, key: str, what: str, fix: str) -> None:
        self._add(mistake_id, key, what, fix, "mistake")

    def advice(self, mistake_id: str, key: str, what: str, fix: str) -> None:
        self._add(mistake_id, key, what, fix, "advice")

    def _add(self, mistake_id: str, key: str, what: str, fix: str, level: Level) -> None:
        assert mistake_id in MISTAKES, mistake_id
        self.all.append(Mistake(mistake_id, self.file, key, what, fix, level))

    @property
    def mistakes(self) -> list[Mistake]:
        return [m for m in self.all if m.level == "mistake"]
