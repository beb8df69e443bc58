"""Notices as JSON data: what a source survived travels as codes and numbers; words are made where people read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from crankfold.analysis import Notice

if TYPE_CHECKING:
    from collections.abc import Iterable


def plain_notices(notices: Iterable[Notice]) -> list[dict[str, Any]]:
    """Return notices as JSON data."""
    return [{"code": notice.code, **notice.facts} for notice in notices]


def notices_of(data: Any) -> tuple[Notice, ...]:
    """Return the notices of JSON data, as `plain_notices` makes them.

    Raises
    ------
    ValueError
        They are none.
    """
    if not isinstance(data, list | tuple) or not all(isinstance(item, dict) for item in data):
        raise ValueError("its notices are no list of tables")
    return tuple(Notice(str(item["code"]), {
        str(name): tuple(fact) if isinstance(fact, list) else fact
        for name, fact in item.items() if name != "code" and _fits(fact)}) for item in data)


def _fits(fact: Any) -> bool:
    return isinstance(fact, str | int | float) or (
        isinstance(fact, list) and all(isinstance(number, int) for number in fact))
