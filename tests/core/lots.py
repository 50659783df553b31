"""A lot's values for tests that take them as known: each fails where there is none; and lots with other values."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

from monitor.core.development.lots import Ahead, FirstPip, Heat, LotNow, Past
from monitor.core.development.window import ExpectedRates, Window


def past_of(lot: LotNow) -> Past:
    assert lot.past is not None
    return lot.past


def ahead_of(lot: LotNow) -> Ahead:
    assert lot.ahead is not None
    return lot.ahead


def rates_of(lot: LotNow) -> ExpectedRates:
    rates = ahead_of(lot).rates
    assert rates is not None
    return rates


def first_pip_of(lot: LotNow) -> FirstPip:
    assert lot.first_pip is not None
    return lot.first_pip


def window_of(lot: LotNow) -> Window:
    return first_pip_of(lot).window


def heat_of(lot: LotNow) -> Heat:
    assert lot.heat is not None
    return lot.heat


def changed(lot: LotNow, **values: Any) -> LotNow:
    """With other values, in whichever of its parts they stand."""
    for name in ("past", "ahead", "first_pip"):
        part = values.pop(name, getattr(lot, name))
        if part is not None:
            part = replace(part, **{f.name: values.pop(f.name) for f in fields(part) if f.name in values})
        lot = replace(lot, **{name: part})
    return replace(lot, **values)
