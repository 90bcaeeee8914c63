"""What a callout leaves open, as questions to whoever drew it: one line each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from featurize.standards.threads import parse
from routing.inputs.sheet.called import Called, What
from routing.inputs.sheet.read import PlacedCallout
from routing.inputs.sheet.sizes import Bunch, Candidate, Sizes

HOLES = (What.THREAD, What.DIAMETER)
Option = frozenset[Candidate]


@dataclass(frozen=True)
class Question:
    """``entry`` is the place of its callout among the sheet's entries, ``note`` of its note among the notes.

    ``text`` is one line. ``blocking``: a hole would be made otherwise than somebody means it.
    """

    code: str
    text: str
    features: tuple[str, ...] = ()
    entry: int | None = None
    note: int | None = None
    blocking: bool = False


@dataclass(frozen=True, eq=False)
class Wish:
    """One callout with all the places where it stands, and what it may mean."""

    called: Called
    entries: tuple[int, ...]
    bunches: tuple[Bunch, ...]
    pointed: frozenset[str]  # features that a leader or its place names; empty where it names none

    @property
    def total(self) -> int:
        return sum(len(b) for b in self.bunches)

    @property
    def ids(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(f for b in self.bunches for c in b for f in c.features))


def impossible(wish: Wish, sizes: Sizes) -> Question:
    """A callout that no set of features answers."""
    called, entry = wish.called, wish.entries[0]
    blocking = called.what == What.THREAD
    if called.what == What.THREAD and called.thread is None:
        text = "is no thread of the tables here: which is meant?"
        return Question("drawing-thread-unknown", f"{quoted(wish)} {text}", (), entry, None, blocking)
    wanted = f"{called.count} {'is' if called.count == 1 else 'are'} called for"
    if len(wish.entries) > 1:
        wanted += f" (in {len(wish.entries)} places)"
    ids = wish.ids
    if ids and wish.pointed and not wish.pointed & set(ids):
        text = f"points at {listed(sorted(wish.pointed))}, which it does not fit"
        return Question(
            "drawing-misfit",
            f"{quoted(wish)} {text}: which holds?",
            tuple(sorted(wish.pointed)),
            entry,
            None,
            blocking,
        )
    if ids:
        text = f"{wanted}, the model has {wish.total}: {listed(ids)}. Which are meant?"
        return Question("drawing-count", f"{quoted(wish)}: {text}", ids, entry, None, blocking)
    at = f" It points at {_sized(sorted(wish.pointed), sizes)}." if wish.pointed else ""
    what = "thread" if blocking else "size"
    text = f"nothing in the model has this {what}{_why_not(called, sizes)}.{at} Which holds?"
    ids = tuple(sorted(wish.pointed))
    return Question("drawing-misfit", f"{quoted(wish)}: {text}", ids, entry, None, blocking)


def _sized(ids: Sequence[str], sizes: Sizes) -> str:
    """Holes with their bores: "F12 (4.2 mm)"."""
    bores = {i: [f"{b.start_diameter_mm:.4g}" for b in sizes.by_id[i].bores if b.is_cylinder] for i in ids}
    return listed([f"{i} ({' over '.join(own)} mm)" for i, own in bores.items()])


def _why_not(called: Called, sizes: Sizes) -> str:
    """What it would need, and what holes there are."""
    if called.what not in HOLES:
        return ""
    bores = sorted({round(b.start_diameter_mm, 3) for h in sizes.holes for b in h.bores if b.is_cylinder})
    there = (
        f"its bores are {', '.join(f'{d:g}' for d in bores[:_MOST_BORES])} mm" if bores else "it has no holes"
    )
    if called.what == What.THREAD and called.thread is not None:
        size = parse(called.thread)[0]
        near = sizes.of_size(called)
        if near:
            return f" as deep and sunk as it says, though {listed(near)} would take {size.designation}"
        return f" (a bore of {size.tap_drill_mm:.4g} mm takes it, {there})"
    return f" ({there})"


_MOST_BORES = 8


def doubtful(wish: Wish) -> Question:
    text = f"may mean any of {listed(wish.ids)}, and {wish.called.count} is its count. Which are meant?"
    blocking = wish.called.what == What.THREAD
    return Question("drawing-ambiguous", f"{quoted(wish)} {text}", wish.ids, wish.entries[0], None, blocking)


def rival(wish: Wish, group: Sequence[tuple[Wish, list[Option]]]) -> Question:
    others = [quoted(w) for w, _ in group if w is not wish]
    text = f"is for {listed(wish.ids)}, and so is {' and '.join(others)}. Which holds?"
    blocking = wish.called.what == What.THREAD
    return Question(
        "drawing-contradicts", f"{quoted(wish)} {text}", wish.ids, wish.entries[0], None, blocking
    )


def unclear(n: int, entry: PlacedCallout) -> Question:
    return Question(
        "drawing-unclear", f"'{entry.called.text}' is not understood: what does it ask for?", (), n
    )


def whose(n: int, entry: PlacedCallout) -> Question:
    return Question(
        "drawing-texture", f"'{entry.called.text}' stands on the drawing: which face is it of?", (), n
    )


def quoted(wish: Wish) -> str:
    return f"'{wish.called.text}'"


def listed(ids: Sequence[str]) -> str:
    most = 8
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more
