"""All inserts."""

from __future__ import annotations

from inserts import Insert, flat, soft, turned

INSERTS: dict[str, Insert] = {
    value.name: value
    for module in (flat, soft, turned)
    for value in vars(module).values()
    if isinstance(value, Insert)
}
