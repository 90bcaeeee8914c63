"""The grammar of callouts: one line of a drawing to what it asks of features.

A line is cut into tokens, and each token adds to the callout that stands before it. What holds words that the
grammar does not know is a sentence, and settles nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from featurize.standards.fits import deviations_mm
from featurize.standards.threads import INCH_MM, parse
from routing.inputs.sheet.called import Called, What
from routing.inputs.sheet.glyphs import normal, worded
from routing.inputs.sheet.tokens import SCANNER

_UNKNOWN = re.compile(r"[A-Za-zÄÖÜäöüß]{2,}")
_LONGEST = 400
# A tap drill is over this share of its thread.
_LEAST_DRILL = 0.6
# A deviation over this share of its size and this length is no tolerance, but a sign that was misread.
_WIDEST_SHARE, _WIDEST_MM, _MOST_MM = 0.2, 0.5, 2.0
# With fewer places a size in inches is meant as it is written.
_LEAST_PLACES = 3
# Two numbers that are the limits of one size are as near as this.
_PAIR_SHARE = 0.02


@dataclass
class _Open:
    """A callout that is still read."""

    what: What
    start: int
    fields: dict[str, Any] = field(default_factory=dict)
    part: str = "main"  # what a depth or tolerance that comes next is of


def callouts(line: str, *, inches: bool = False) -> list[Called]:
    """What a line of a drawing calls out; lengths without a unit are inches or millimetres."""
    text = normal(line)[:_LONGEST]
    reader = _LineReader(text, inches)
    reader.read()
    return list(reader.found())


class _LineReader:
    def __init__(self, text: str, inches: bool) -> None:
        self.text, self.inches, self.counted_at = text, inches, 0
        self.done: list[_Open] = []
        self.count: int | None = None
        self.unknown = False

    def read(self) -> None:
        at = 0
        while at < len(self.text):
            match = SCANNER.match(self.text, at)
            if match is None or match.end() == at:
                at = self._skip(at)
                continue
            getattr(self, f"_{_name(match)}")(match)
            at = match.end()

    def found(self) -> Iterator[Called]:
        ends = [*(o.start for o in self.done), len(self.text)][1:]
        for opened, end in zip(self.done, ends, strict=True):
            what, fields = opened.what, opened.fields
            if self.unknown:
                if what in (What.LENGTH, What.RADIUS, What.TEXTURE):
                    continue  # a number in a sentence
                if not fields.get("reference"):
                    what = What.UNCLEAR
            piece = self.text if len(self.done) == 1 else self.text[opened.start : end].strip(" /,;-")
            yield Called(what=what, text=worded(piece), **fields)

    def _skip(self, at: int) -> int:
        """Over what is no token: a whole word, so that its tail is not taken for one."""
        word = re.compile(r"\w+|\W").match(self.text, at)
        assert word is not None
        if _UNKNOWN.search(word[0]) or "\ufffd" in word[0]:
            self.unknown = True
        return word.end()

    # What each token does.

    def _open(self, what: What, match: re.Match[str], **fields: Any) -> None:
        start = match.start()
        if self.count is not None:
            fields["count"] = self.count
            start = min(start, self.counted_at)
            self.count = None
        self.done.append(_Open(what, start, fields))

    @property
    def current(self) -> _Open | None:
        return self.done[-1] if self.done else None

    def _mm(self, size: str, match: re.Match[str]) -> float:
        """A size with its own mark of inches or millimetres, or the sheet's unit."""
        value = 0.0
        for piece in re.split(r"[ -]", size):
            above, _, below = piece.partition("/")
            value += float(above) / (float(below) if float(below or 1) else 1.0) if below else float(above)
        return round(value * (INCH_MM if self._in_inches(size, match) else 1.0), 6)

    def _in_inches(self, size: str, match: re.Match[str]) -> bool:
        whole = match[0].rstrip(" )").lower()
        if whole.endswith(('"', "in", "in.", "inch")) or "/" in size:
            return True
        return self.inches and not whole.endswith("mm")

    def _slack(self, size: str, match: re.Match[str]) -> dict[str, Any]:
        """Half of the last place of a size in inches that is written to a thousandth or finer."""
        places = len(size.partition(".")[2])
        if places < _LEAST_PLACES or not self._in_inches(size, match):
            return {}
        return {"slack_mm": round(INCH_MM * 0.5 * 10**-places, 6)}

    def _times(self, match: re.Match[str]) -> None:
        self._counted(int(match["t_n"]), match)

    def _bracketed_count(self, match: re.Match[str]) -> None:
        self._counted(int(match["b_n"] or match["b_m"]), match)

    def _counted(self, n: int, match: re.Match[str]) -> None:
        """A count before its callout, or one after it in brackets or words: "M6 (4x)", "M6, 4 PLCS"."""
        if n < 1:
            self.unknown = True
            return
        current = self.current
        trailing = match[0].startswith("(") or not match[0].rstrip().endswith("x")
        following = self.text[match.end() :].strip(" ,;.")
        if trailing and current is not None and "count" not in current.fields and not following:
            current.fields["count"] = n
            return
        self.count, self.counted_at = n, match.start()

    def _metric(self, match: re.Match[str]) -> None:
        d = float(match["m_d"])
        second = match["m_p"] or match["m_q"]
        depth = None
        # No pitch up to M24 is above 3: "M6x12" is a thread and its length (ISO 6410-1).
        if second is not None and float(second) > 3:
            depth, second = float(second), None
        name = f"M{d:g}" + (f"x{float(second):g}" if second else "") + (" LH" if match["m_lh"] else "")
        self._thread(match, name, d, depth)

    def _unified(self, match: re.Match[str]) -> None:
        size = re.sub(r"no\.?\s?", "#", match["u_size"], flags=re.IGNORECASE).replace(" ", "")
        name = f"{size}-{match['u_tpi']} {match['u_series'].upper()}" + (" LH" if match["u_lh"] else "")
        self._thread(match, name, None, None)

    def _pipe(self, match: re.Match[str]) -> None:
        self._open(What.THREAD, match)

    def _thread(self, match: re.Match[str], name: str, major: float | None, depth: float | None) -> None:
        fields: dict[str, Any] = {} if depth is None else {"depth_mm": depth}
        try:
            size, left = parse(name)
            major = round(size.major_mm, 6)
            fields["thread"] = f"{size.designation} LH" if left else size.designation
        except ValueError:
            pass  # a thread that the tables lack is asked about
        drilled = self.current
        if drilled is not None and self._is_drill(drilled, major):  # "Ø4.2 ↧16 M5 ↧12": its drill first
            own = drilled.fields
            own |= {"bore_mm": own.pop("value_mm"), **fields, "value_mm": major}
            if "depth_mm" in own and depth is None:
                own["bore_depth_mm"] = own.pop("depth_mm")
            drilled.what, drilled.part = What.THREAD, "main"
            return
        self._open(What.THREAD, match, value_mm=major, **fields)

    def _is_drill(self, before: _Open, major: float | None) -> bool:
        plain = not before.fields.keys() - {"value_mm", "depth_mm", "through", "count"}
        value: float = before.fields.get("value_mm", 0.0)
        if before.what != What.DIAMETER or not plain or major is None or self.count is not None:
            return False
        return bool(_LEAST_DRILL * major < value < major)

    def _diameter(self, match: re.Match[str]) -> None:
        value, current = self._mm(match["d"], match), self.current
        if self._is_bracketed(match):
            self._open(What.DIAMETER, match, value_mm=value, reference=True)
            return
        if current is not None and current.part in ("counterbore", "countersink"):
            key = f"{current.part}_mm"
            if key not in current.fields:
                current.fields[key] = value
                return
        if current is not None and self.count is None and current.what == What.THREAD:
            major = current.fields.get("value_mm")
            if "bore_mm" not in current.fields and (major is None or value < major):
                current.fields["bore_mm"] = value
                current.part = "bore"
                return
        self._open(What.DIAMETER, match, value_mm=value, **self._slack(match["d"], match))

    def _square(self, match: re.Match[str]) -> None:
        size = match["sq"]
        self._open(What.LENGTH, match, value_mm=self._mm(size, match), **self._slack(size, match))

    def _radius(self, match: re.Match[str]) -> None:
        self._open(What.RADIUS, match, value_mm=self._mm(match["rad"], match))

    def _number(self, match: re.Match[str]) -> None:
        current = self.current
        value = self._mm(match["n"], match)
        if current is not None and current.part in ("counterbore", "countersink") and self.count is None:
            current.fields.setdefault(f"{current.part}_mm", value)
            return
        before = self.text[: match.start()].rstrip()
        if (
            current is not None
            and current.what == What.THREAD
            and before.endswith("/")
            and "depth_mm" in current.fields
        ):
            current.fields.setdefault("bore_depth_mm", value)  # "M6x12/16"
            return
        more = self._binding(match) | self._slack(match["n"], match)
        self._open(What.LENGTH, match, value_mm=value, **more)

    def _is_bracketed(self, match: re.Match[str]) -> bool:
        before, after = self.text[: match.start()].rstrip(), self.text[match.end() :].lstrip()
        return before.endswith(("(", "[")) and after.startswith((")", "]"))

    def _binding(self, match: re.Match[str]) -> dict[str, Any]:
        """An auxiliary dimension stands in brackets (ISO 129-1) and binds nothing."""
        return {"reference": True} if self._is_bracketed(match) else {}

    def _limit_pair(self, match: re.Match[str]) -> None:
        """Both limits of a size: "20.02/19.99"."""
        a, b = self._mm(match["lp_a"], match), self._mm(match["lp_b"], match)
        low, high = min(a, b), max(a, b)
        what = What.DIAMETER if match["lp"].strip() else What.LENGTH
        if high - low > _PAIR_SHARE * high or self.current is not None:
            self.unknown = True
            return
        width = round(high - low, 6)
        self._open(what, match, value_mm=low, upper_mm=width, lower_mm=0.0)

    def _depth_after(self, match: re.Match[str]) -> None:
        self._deep(self._mm(match["da"], match))

    def _depth_before(self, match: re.Match[str]) -> None:
        self._deep(self._mm(match["db"], match))

    def _by(self, match: re.Match[str]) -> None:
        """ "Ø5 x 16" is a depth; of anything else it is a second length."""
        if self.current is not None and self.current.what in (What.THREAD, What.DIAMETER):
            self._deep(self._mm(match["by_n"], match))
        else:
            self._open(What.LENGTH, match, value_mm=self._mm(match["by_n"], match))

    def _deep(self, depth: float) -> None:
        current = self.current
        if current is None or current.what not in (What.THREAD, What.DIAMETER):
            self.unknown = True
            return
        key = {"main": "depth_mm", "bore": "bore_depth_mm", "counterbore": "counterbore_depth_mm"}
        if current.part in key and current.fields.get(key[current.part]) is None:
            current.fields[key[current.part]] = depth
        elif current.what == What.THREAD and current.part == "main" and "bore_depth_mm" not in current.fields:
            current.fields["bore_depth_mm"] = depth  # ISO 6410-1: "M12x16/Ø10.2x20"
        else:
            self.unknown = True

    def _through(self, _: re.Match[str]) -> None:
        if self.current is not None and self.current.what in (What.THREAD, What.DIAMETER):
            self.current.fields["through"] = True

    def _plus_minus(self, match: re.Match[str]) -> None:
        value = self._mm(match["pm"], match)
        self._tolerance(value, -value)

    def _limits(self, match: re.Match[str]) -> None:
        words = (match["l_a"], match["l_b"] or match["l_c"])
        ends = [self._mm(w.replace(" ", "").lstrip("+-"), match) for w in words]
        signed = [-v if w.startswith("-") else v for v, w in zip(ends, words, strict=True)]
        self._tolerance(max(signed), min(signed))

    def _one_limit(self, match: re.Match[str]) -> None:
        """ "+0.02" alone: the other one is nought, as German drawings leave it out."""
        value = self._mm(match["o"].replace(" ", "").lstrip("+-"), match)
        self._tolerance(*((0.0, -value) if match["o"].startswith("-") else (value, 0.0)))

    def _tolerance(self, upper: float, lower: float) -> None:
        current = self.current
        if current is None or current.what == What.THREAD or current.part != "main":
            return  # of a depth or a counterbore: looked at by whoever makes it, bound to nothing here
        if "depth_mm" in current.fields or current.fields.get("value_mm") is None:
            return
        widest = max(abs(upper), abs(lower))
        if widest > min(max(_WIDEST_SHARE * current.fields["value_mm"], _WIDEST_MM), _MOST_MM):
            self.unknown = True
            return
        current.fields["upper_mm"], current.fields["lower_mm"] = upper, lower

    def _fit(self, match: re.Match[str]) -> None:
        current = self.current
        if current is None or current.what not in (What.DIAMETER, What.LENGTH) or current.part != "main":
            return
        current.fields["fit"] = match["f"]
        value = current.fields["value_mm"]
        if "upper_mm" not in current.fields and (by_table := deviations_mm(value, match["f"])):
            current.fields["upper_mm"], current.fields["lower_mm"] = by_table

    def _texture(self, match: re.Match[str]) -> None:
        name = match["r_par"][0] + match["r_par"][1:].lower()
        um = float(match["r_um"]) * (INCH_MM / 1000 if self.inches or "uin" in match[0].lower() else 1.0)
        texture = (name, round(um, 6))
        if self.current is None:
            self._open(What.TEXTURE, match)
        current = self.current
        assert current is not None
        current.fields["textures"] = (*current.fields.get("textures", ()), texture)

    def _counterbore(self, _: re.Match[str]) -> None:
        self._sunk("counterbore")

    def _countersink(self, _: re.Match[str]) -> None:
        self._sunk("countersink")

    def _sunk(self, part: str) -> None:
        """A sinking belongs to a hole; alone it tells nothing of which."""
        if self.current is not None:
            self.current.part = part
        else:
            self.unknown = True

    def _circle(self, _: re.Match[str]) -> None:
        """A circle that holes lie on; the word stands before its diameter or after it."""
        if self.current is not None:
            self.current.fields["reference"] = True
        else:
            self.unknown = True

    def _drill(self, _: re.Match[str]) -> None:
        pass

    def _bevel(self, _: re.Match[str]) -> None:
        self.count = None

    def _angle(self, match: re.Match[str]) -> None:
        """Of a sinking it tells a cone's from a cylinder's."""
        self.count = None
        current = self.current
        if (
            current is not None
            and current.part == "main"
            and self.text[: match.start()].rstrip().endswith("x")
        ):
            self.unknown = True  # "Ø8x90°" is a cone alone, whose hole stands elsewhere
        elif current is not None and current.part == "counterbore":
            current.part = "countersink"
            if (value := current.fields.pop("counterbore_mm", None)) is not None:
                current.fields["countersink_mm"] = value

    def _spherical(self, _: re.Match[str]) -> None:
        self.unknown = True

    def _filler(self, _: re.Match[str]) -> None:
        pass


def _name(match: re.Match[str]) -> str:
    assert match.lastgroup is not None  # the token itself: it closes last
    return match.lastgroup
