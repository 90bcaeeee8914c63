"""Values that hang on one object alone: kept with it, gone with it; a store elsewhere would outlive it."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import wraps
from typing import TypeVar, cast

T = TypeVar("T")
Owner = TypeVar("Owner")


def kept_with(owner: object, key: Hashable, make: Callable[[], T]) -> T:
    """A value made once for ``owner``."""
    known: dict[Hashable, object] = vars(owner).setdefault("_kept_with_it", {})
    if key not in known:
        known[key] = make()
    return cast("T", known[key])


def once_for_each(make: Callable[[Owner], T]) -> Callable[[Owner], T]:
    """The same function of one object, asked once for each."""

    @wraps(make)
    def once(owner: Owner) -> T:
        return kept_with(owner, make, lambda: make(owner))

    return once
