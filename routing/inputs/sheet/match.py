"""Callouts brought to the features of a part by size, count and place.

Each callout takes as many candidates as it counts, and no two callouts take the same bore. What is the same
in every way to share them out is certain; all else is a question. Nothing is settled on doubt.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from featurize.brep.part import Part
from featurize.feature import Callout, Feature
from featurize.recognise.threads import PLAIN
from featurize.standards.threads import parse
from routing.inputs.sheet.asking import (
    HOLES,
    Option,
    Question,
    Wish,
    doubtful,
    impossible,
    listed,
    quoted,
    rival,
    unclear,
    whose,
)
from routing.inputs.sheet.called import Called, What
from routing.inputs.sheet.place import pointed_at
from routing.inputs.sheet.read import PlacedCallout, Sheet
from routing.inputs.sheet.sizes import Candidate, Sizes

# Ways to share out that are looked at; where there are more, nothing is certain.
_MOST_WAYS, _MOST_OPTIONS = 5_000, 200
# From this on the file itself names the thread on the hole's faces.
NAMED = 0.98


@dataclass(frozen=True)
class Matched:
    """``threads``: feature ids to a designation or "plain". ``callouts``: what each feature is asked for.

    ``found``: the features of each entry that is matched, by its place. ``questions`` in the sheet's order.
    """

    threads: Mapping[str, str] = field(default_factory=dict)
    callouts: Mapping[str, tuple[Callout, ...]] = field(default_factory=dict)
    found: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()


def match(part: Part, features: Sequence[Feature], sheet: Sheet, settled: Collection[str] = ()) -> Matched:
    """What a sheet says of a part's features. ``settled``: holes on whose thread a person has decided."""
    sizes = Sizes(part, features)
    pointed = pointed_at(sheet, part, sizes.holes)
    result = _Result(sizes, settled)
    holes = list(_wishes(sheet.entries, sizes, pointed, HOLES))
    chosen, questions = _shared_out(holes, sizes)
    for wish, option in chosen:
        result.take(wish, option)
    others = list(_wishes(sheet.entries, sizes, pointed, _OTHERS))
    more, asked = _shared_out(others, sizes)
    for wish, option in more:
        result.take(wish, option)
    questions += [*asked, *result.questions, *_unsaid(sizes, holes, {*result.threads, *settled}, chosen)]
    for n, entry in enumerate(sheet.entries):
        if entry.called.what == What.UNCLEAR:
            questions.append(unclear(n, entry))
        elif entry.called.what == What.TEXTURE:
            questions.append(whose(n, entry))
    order = sorted(questions, key=lambda q: (q.entry is None, q.entry or 0))
    callouts = {f: tuple(own) for f, own in result.callouts.items()}
    return Matched(result.threads, callouts, result.found, tuple(order))


_OTHERS = (What.LENGTH, What.RADIUS)


def _wishes(
    entries: Sequence[PlacedCallout],
    sizes: Sizes,
    pointed: Mapping[int, frozenset[str]],
    kinds: Collection[What],
) -> Iterator[Wish]:
    """The callouts that bind something; those that read alike are one, with their counts together."""
    alike: dict[tuple[Called, frozenset[str]], list[int]] = {}
    for n, entry in enumerate(entries):
        called = entry.called
        if called.reference or called.what not in kinds:
            continue
        if called.what in _OTHERS and not (called.is_toleranced or called.textures):
            continue  # a bare length says nothing that the model does not
        key = replace(called, text="", count=1), pointed.get(n, frozenset())
        alike.setdefault(key, []).append(n)
    for (called, spots), places in alike.items():
        count = sum(entries[n].called.count for n in places)
        whole = replace(called, text=entries[places[0]].called.text, count=count)
        bunches = tuple(sizes.bunches(called)) if called.what != What.THREAD or called.thread else ()
        yield Wish(whole, tuple(places), bunches, spots)


def _options(wish: Wish) -> list[Option] | None:
    """The sets of candidates that a callout may stand for; None where they are too many to look at."""
    count = wish.called.count
    if wish.pointed:
        own = [[c for c in b if set(c.features) & wish.pointed] for b in wish.bunches]
        exact = [c for b in own for c in b]
        if len(exact) == count:
            return [frozenset(exact)]
    found: list[Option] = []

    def add(place: int, left: int, taken: tuple[Candidate, ...]) -> bool:
        if left == 0:
            found.append(frozenset(taken))
            return len(found) <= _MOST_OPTIONS
        if place == len(wish.bunches):
            return True
        bunch = wish.bunches[place]
        if len(bunch) <= left and not add(place + 1, left - len(bunch), (*taken, *bunch)):
            return False
        return add(place + 1, left, taken)

    if not add(0, count, ()):
        return None
    if wish.pointed:
        found = [o for o in found if any(set(c.features) & wish.pointed for c in o)]
    return found


def _shared_out(wishes: Sequence[Wish], sizes: Sizes) -> tuple[list[tuple[Wish, Option]], list[Question]]:
    """What each callout stands for where that is certain; questions for the others."""
    questions: list[Question] = []
    open_: list[tuple[Wish, list[Option]]] = []
    for wish in wishes:
        options = _options(wish)
        if options:
            open_.append((wish, options))
        else:
            questions.append(impossible(wish, sizes) if options is not None else doubtful(wish))
    chosen = []
    for group in _rivals(open_):
        ways = _ways(group)
        for n, (wish, _) in enumerate(group):
            taken = {way[n] for way in ways or ()}
            if len(taken) == 1:
                chosen.append((wish, taken.pop()))
            else:
                questions.append(doubtful(wish) if ways is None or ways else rival(wish, group))
    return chosen, questions


def _rivals(open_: Sequence[tuple[Wish, list[Option]]]) -> list[list[tuple[Wish, list[Option]]]]:
    """Callouts parted into groups that have no candidate in common."""
    groups: list[tuple[set[Candidate], list[tuple[Wish, list[Option]]]]] = []
    for entry in open_:
        own = {c for option in entry[1] for c in option}
        meeting = [g for g in groups if g[0] & own]
        groups = [g for g in groups if not g[0] & own]
        members = [m for g in meeting for m in g[1]]
        groups.append((own.union(*(g[0] for g in meeting)), [*members, entry]))
    return [members for _, members in groups]


def _ways(group: Sequence[tuple[Wish, list[Option]]]) -> list[tuple[Option, ...]] | None:
    """Every way to give each callout one of its options, none sharing a candidate; None for too many."""
    found: list[tuple[Option, ...]] = []
    steps = 0

    def add(taken: frozenset[Candidate], way: tuple[Option, ...]) -> bool:
        nonlocal steps
        steps += 1
        if steps > _MOST_WAYS:
            return False
        if len(way) == len(group):
            found.append(way)
            return True
        return all(add(taken | o, (*way, o)) for o in group[len(way)][1] if not taken & o)

    return found if add(frozenset(), ()) else None


class _Result:
    """Collects what is certain, but for what contradicts the model's own words or a person's."""

    def __init__(self, sizes: Sizes, settled: Collection[str]) -> None:
        self._sizes, self._settled = sizes, settled
        self.threads: dict[str, str] = {}
        self.callouts: dict[str, list[Callout]] = {}
        self.found: dict[int, tuple[str, ...]] = {}
        self.questions: list[Question] = []

    def take(self, wish: Wish, option: Option) -> None:
        candidates = sorted(option, key=lambda c: (c.features, c.what))
        ids = tuple(dict.fromkeys(f for c in candidates for f in c.features))
        against = [
            f
            for c in candidates
            for f in c.features
            if self._is_against(self._sizes.by_id[f], wish.called, c)
        ]
        if against:
            self.questions.append(self._contradicts(wish, against))
            return
        for n in wish.entries:
            self.found[n] = ids
        for candidate in candidates:
            for id_, faces in self._sizes.faces(candidate).items():
                self._settle(self._sizes.by_id[id_], wish.called, candidate)
                self.callouts.setdefault(id_, []).extend(_asked(wish.called, faces))

    def _settle(self, hole: Feature, called: Called, candidate: Candidate) -> None:
        if not hole.kind.traits.hole or hole.id in self._settled:
            return
        if called.what == What.THREAD:
            assert called.thread is not None
            self.threads[hole.id] = called.thread
        elif (
            hole.thread is not None
            and hole.thread.designation is None
            and self._may_be_thread(hole, candidate)
        ):
            self.threads[hole.id] = PLAIN

    def _may_be_thread(self, hole: Feature, candidate: Candidate) -> bool:
        """Whether the diameter that is called for is the bore that a thread was thought of."""
        assert hole.thread is not None
        sizes = [parse(name)[0] for name in hole.thread.asked if name != PLAIN]
        return any(abs(s.drawn_at(candidate.diameter_mm)[0]) < _BORE_MM for s in sizes)

    def _is_against(self, feature: Feature, called: Called, candidate: Candidate) -> bool:
        """Whether the model's names, or a person, or the hole as it is read say something else."""
        if not feature.kind.traits.hole:
            return False
        thread = feature.thread
        if called.what == What.THREAD:
            assert called.thread is not None
            if feature.id in self._settled:
                return thread is None or not _is_same(feature, called.thread)
            said = thread is not None and thread.designation is not None and feature.confidence >= NAMED
            return said and not _is_same(feature, called.thread)
        if called.what != What.DIAMETER or thread is None or thread.designation is None:
            return False
        own = parse(thread.designation)[0]
        return own.drawn_at(candidate.diameter_mm)[0] < _BORE_MM

    def _contradicts(self, wish: Wish, ids: Sequence[str]) -> Question:
        hole = self._sizes.by_id[ids[0]]
        is_ = hole.thread.designation if hole.thread and hole.thread.designation else PLAIN
        by = "a person's answer" if hole.id in self._settled else "the model"
        text = f"{listed(ids)} is {is_} by {by}: which holds? Nothing was settled by this callout."
        return Question(
            "drawing-contradicts", f"{quoted(wish)}: {text}", tuple(ids), wish.entries[0], None, True
        )


# A bore that a thread is drawn at is nearer than this.
_BORE_MM = 0.01


def _is_same(hole: Feature, thread: str) -> bool:
    size, left = parse(thread)
    own = hole.thread
    return own is not None and own.designation == size.designation and own.left_hand == left


def _asked(called: Called, faces: tuple[int, ...]) -> Iterator[Callout]:
    """What the plan, the hole table and the inspection look at: limits, fits and textures."""
    kinds = {What.DIAMETER: "diameter", What.RADIUS: "radius", What.LENGTH: "linear distance"}
    if called.what != What.THREAD and called.is_toleranced:
        upper, lower = called.upper_mm, called.lower_mm
        yield Callout(kinds[called.what], called.value_mm, upper, lower, called.text, faces=faces)
    for name, um in called.textures:
        if name == "Ra":
            yield Callout("surface texture", um / 1000, text=f"{name} {um:g}", faces=faces)
        else:
            yield Callout(f"surface texture {name}", um / 1000, text=f"{name} {um:g}", faces=faces)


def _unsaid(
    sizes: Sizes,
    wishes: Sequence[Wish],
    known: Collection[str],
    chosen: Sequence[tuple[Wish, Option]],
) -> Iterator[Question]:
    """Threads of the model that the drawing, though it has threads, says nothing of."""
    called = [w for w in wishes if w.called.what == What.THREAD]
    done = {id(w) for w, _ in chosen}
    asked = (
        {f for w in called if id(w) not in done for f in (*w.ids, *sizes.of_size(w.called))}
        if called
        else set()
    )
    left = [
        h.id
        for h in sizes.holes
        if h.thread and h.thread.designation and h.id not in known and h.id not in asked
    ]
    if left and not any(id(w) not in done for w in called):
        names = dict.fromkeys(t.designation for i in left if (t := sizes.by_id[i].thread))
        verb = "is" if len(left) == 1 else "are"
        what = f"{listed(left)} {verb} {' and '.join(map(str, names))} in the route"
        text = f"{what}, and the drawing calls out no such thread: is it meant?"
        yield Question("drawing-unsaid", text, tuple(left))
