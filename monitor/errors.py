"""Every failure of Warmtally on one page: id, exit code, what to do, whether to retry.

A failure names what, where and what to do. The id is stable and stands in a table of deploy/README.md; the exit code
is what a script sees. ``retry`` says whether the same call may work later without anybody's hand.
"""

from __future__ import annotations

from typing import ClassVar


class MonitorError(Exception):
    """Base of all failures that are reported to a person; never raised itself."""

    id: ClassVar[str] = ""
    exit_code: ClassVar[int] = 1
    retry: ClassVar[bool] = False
    meaning: ClassVar[str] = ""

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        if type(self) is MonitorError:
            raise TypeError("MonitorError is abstract: raise one of its leaves")
        super().__init__(what)
        self.what = what
        self.where = where
        self.fix = fix

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        fix = f"\n  what to do: {self.fix}" if self.fix else ""
        return f"{place}{self.what}{fix}"


class UsageError(MonitorError):
    """The command's words do not fit."""

    id, exit_code = "usage", 2
    meaning = "the command was called with words or values that do not fit"


class ConfigError(MonitorError):
    """The configuration has mistakes; ``what`` lists all of them."""

    id, exit_code = "config", 3
    meaning = "the configuration file, or a file it names, is missing or has mistakes"


class PayloadError(MonitorError):
    """A message from the broker that cannot become a reading. Kept with its reason, never fatal."""

    id, exit_code = "payload", 4
    meaning = "a message could not be decoded; it is kept with its reason"


class EventRefused(MonitorError):
    """A keeper's event that cannot have happened."""

    id, exit_code = "event-refused", 5
    meaning = "the event cannot have happened as told (more eggs out than in, hatched before laid ...)"


class EntryUndecided(EventRefused):
    """An entry that could mean more than one thing: it is asked for, and never guessed.

    ``asks``: "eggs" (one to ``most`` of them), "box" or "how", one of ``choices``.
    """

    id, exit_code = "entry-undecided", 28
    meaning = "an entry could mean more than one thing: say how many, in which box, or when"

    def __init__(self, what: str, *, fix: str, asks: str, most: int = 0, choices: tuple[str, ...] = ()) -> None:
        super().__init__(what, fix=fix)
        self.asks, self.most, self.choices = asks, most, choices


class EntryThere(EventRefused):
    """An entry that stands in the account already, as number ``entry``."""

    id, exit_code = "entry-there", 29
    meaning = "the account has this very entry already; nothing was added"

    def __init__(self, what: str, *, fix: str, entry: int) -> None:
        super().__init__(what, fix=fix)
        self.entry = entry


class UnknownSubject(MonitorError):
    """A clutch, lot, box, probe, species, notice or person that does not exist."""

    id, exit_code = "unknown", 6
    meaning = "no clutch, box, probe, species, notice or person of that name"


class SpeciesRefused(MonitorError):
    """A species for which a forecast would be dishonest."""

    id, exit_code = "species-refused", 7
    meaning = "the species rests in the egg, or has no published table to stand on"


class ModelOutOfRange(MonitorError):
    """A published model asked outside its valid range."""

    id, exit_code = "out-of-range", 8
    meaning = "a model was asked outside the range it is valid in"


class StoreError(MonitorError):
    """The store cannot be used."""

    id, exit_code = "store", 10
    meaning = "the store cannot be opened, read or written"


class StoreFull(StoreError):
    """No room left on the disk; nothing that was acknowledged is lost."""

    id, exit_code, retry = "store-full", 11, True
    meaning = "the disk is full; nothing acknowledged is lost, readings wait at the broker"


class StoreLocked(StoreError):
    """Another process holds the store."""

    id, exit_code, retry = "store-locked", 12, True
    meaning = "another Warmtally service already writes to this store"


class StoreNewer(StoreError):
    """The store was written by a newer version."""

    id, exit_code = "store-newer", 13
    meaning = "the store was written by a newer version of Warmtally"


class StoreCorrupt(StoreError):
    """The store's file is damaged."""

    id, exit_code = "store-corrupt", 14
    meaning = "the store's file is damaged"


class StoreVanished(StoreError):
    """There was a store here, and there is none, or an empty or another one."""

    id, exit_code = "store-vanished", 15
    meaning = "the store that was here is gone, empty or another file; no new one is begun in its place"


class BackupUnfit(MonitorError):
    """A backup that is damaged, or cannot be made or put back there."""

    id, exit_code = "backup", 16
    meaning = "a backup is damaged or not whole, or cannot be made or put back there"


class BrokerUnreachable(MonitorError):
    """Nobody answers at the broker's address."""

    id, exit_code, retry = "broker-unreachable", 20, True
    meaning = "the broker does not answer"


class BrokerRefused(MonitorError):
    """The broker answers and says no: login, access or protocol."""

    id, exit_code = "broker-refused", 21
    meaning = "the broker refuses the login or the subscription"


class SecretMissing(ConfigError):
    """A file or environment variable that should hold a secret is absent or unreadable."""

    id, exit_code = "secret-missing", 22
    meaning = "a password, token or channel address is not where the configuration says"


class DeliveryFailed(MonitorError):
    """A channel did not take a notice."""

    id, exit_code, retry = "delivery", 23, True
    meaning = "a channel did not take a notice"


class ShippingRefused(MonitorError):
    """The outside database refuses what is shipped to it."""

    id, exit_code = "shipping-refused", 24
    meaning = "the outside database refuses the login, the bucket or a line"


class HistoryUnreachable(MonitorError):
    """Nobody answers at the address of the outside database, or not in time."""

    id, exit_code, retry = "history-unreachable", 31, True
    meaning = "the database that history is read from does not answer"


class HistoryRefused(MonitorError):
    """The outside database says no, or something that is no answer."""

    id, exit_code = "history-refused", 32
    meaning = "the database that history is read from refuses, or says what cannot be read"


class FileUnreadable(MonitorError):
    """A logger's file that cannot be imported."""

    id, exit_code = "file", 25
    meaning = "a file to import or write cannot be used as asked"


class ComparisonRefused(MonitorError):
    """Probes that were compared badly: nothing is corrected on such ground."""

    id, exit_code = "comparison-refused", 26
    meaning = "a comparison of probes was not steady, too short, or one of them was elsewhere"


class NotInstalled(MonitorError):
    """A package that one command alone needs is not there."""

    id, exit_code = "not-installed", 27
    meaning = "a package that this command alone needs is not installed"


class PeopleUnreadable(MonitorError):
    """The file of who may look at the page and who may enter cannot be used: nobody may."""

    id, exit_code = "people", 30
    meaning = "the file of who may look at the page and who may enter is damaged, or cannot be read or written"
