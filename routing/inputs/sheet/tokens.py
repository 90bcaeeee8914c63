"""The tokens of callouts, each a pattern over text as ``glyphs.normal`` leaves it.

Threads as ISO 6410-1 and ASME Y14.6 write them, sizes and limits as ISO 129-1 and ASME Y14.5, fits as ISO
286-1, textures as ISO 21920-1 and ISO 1302 (all from memory), in English and German.
"""

from __future__ import annotations

import re

_N = r"\d*\.?\d+"
# A size in inches may be a whole number, a fraction or both: 1 1/2, 3/8, .375
_SIZE = rf"(?:\d+[ -])?\d+/\d+|{_N}"
_MARK = r'\s*(?:"|\bin\b\.?|\binch\b|\bmm\b)?'
_PLACES = (
    r"plcs?\b\.?|places?\b|off\b|holes?\b|thus\b|stk\b\.?|stück\b|mal\b|fach\b|bohrungen\b|löcher\b|gewinde\b"
)
# "12 tief" but not "tief 12", which a pitch may stand before.
_DEEP = r"(?:deep\b|dp\b|tief\b)(?!\s?[\d.]+(?!\s?[\dx.]))"
_DEPTH = r"depth\b|tiefe\b|tief\b|t\s?=|↧"

# In the order in which they are tried at a place.
_TOKENS = (
    (
        "metric",
        rf"(?<![A-WYZa-wyz0-9.])(?-i:M)\s?(?P<m_d>{_N})(?![\d.]*\s?:\s?\d)(?![A-Za-z0-9.]*°)"
        rf"(?:\s?x\s?(?P<m_p>{_N})(?![\d.]|\s*(?:{_DEEP}|°))|-(?P<m_q>{_N})(?![\d.]*[GHgh]))?"
        r"(?:[\s-]*[4-8][GHgh](?:[4-8][GHgh])?(?![A-WYZa-wyz0-9]))?(?P<m_lh>[\s-]*LH(?![A-WYZa-wyz]))?(?![A-Za-z]{2})",
    ),
    (
        "unified",
        r"(?<![A-WYZa-wyz0-9./])(?P<u_size>#\s?\d+|no\.?\s?\d+|\d+(?:/\d+)?|\.\d+)\"?\s?-\s?(?P<u_tpi>\d+)"
        r"[\s-]*(?P<u_series>UN[CFJS]?[CF]?)\b(?:[\s-]*[123][AB]\b)?(?P<u_lh>[\s-]*LH\b)?",
    ),
    (
        "pipe",
        # Pipe, taper, trapezoidal, round and conduit threads: known as threads, not by size.
        r"(?<![A-Za-z0-9])(?-i:(?:G|Rp|Rc|NPTF?|BSPP?)\s?(?:\d\s)?\d/\d{1,2}|(?:Tr|Rd)\s?\d+\s?x\s?\d+|Pg\s?\d+"
        r"|(?:\d\s)?\d+/\d+\"?\s?-?\s?(?:\d+\s)?(?:NPTF?|BSPP?))(?![A-Za-z0-9])",
    ),
    ("bevel", rf"{_N}\s?x\s?{_N}\s?°"),
    ("angle", rf"{_N}\s?°(?:\s?±\s?{_N}\s?°?)?"),
    (
        "times",
        rf"(?P<t_n>\d{{1,3}})(?:\s?x(?=\s?[A-Za-zØ□⌴⌵#])|x(?=\s?[\d.])(?=\s|\S*\s?[/-]\d+\s?UN)|\s?-\s?(?=M\d|Ø)"
        r"|\s?x\s(?=[\d./]+\"?\s?-\s?\d+\s?UN)"
        rf"|[ -]?(?:{_PLACES}))",
    ),
    ("bracketed_count", r"\((?P<b_n>\d{1,3})\s?x\)|\(x\s?(?P<b_m>\d{1,3})\)"),
    ("texture", rf"(?P<r_par>(?-i:R)(?:[az]|max|t))\s?=?\s?(?:max\.?\s?)?(?P<r_um>{_N})(?:\s?u(?:m|in)\b)?"),
    ("depth_after", rf"(?:[x-]\s?)?(?P<da>{_SIZE}){_MARK}\s?(?:{_DEEP})"),
    ("depth_before", rf"(?:{_DEPTH})\s?(?P<db>{_SIZE}){_MARK}"),
    ("through", r"thru(?:\s?all)?\b|through(?:\s?all)?\b|durchgehend\b|durchgang\b|durch\b"),
    ("spherical", r"(?-i:S)(?=[RØ])"),
    (
        "limit_pair",
        rf"(?P<lp>Ø\s?|(?<![A-Za-z\d.]))(?P<lp_a>\d*\.\d{{2,}})\s?[/-]\s?Ø?\s?(?P<lp_b>\d*\.\d{{2,}}){_MARK}(?![\d.])",
    ),
    ("diameter", rf"(?:Ø|dia\.?\s|dm\.?\s|durchmesser\s)\s?(?P<d>{_SIZE}){_MARK}"),
    ("square", rf"(?:□|square\s)\s?(?P<sq>{_SIZE}){_MARK}"),
    ("radius", rf"(?<![A-WYZa-wyz])(?-i:R)\s?(?P<rad>{_SIZE}){_MARK}"),
    ("plus_minus", rf"±\s?(?P<pm>{_SIZE}){_MARK}"),
    (
        "limits",
        rf"\(?(?P<l_a>[+-]\s?{_N}|(?<![\d.])0(?:\.0+)?(?=\s?[/ ]\s?[+-])){_MARK}"
        rf"(?:\s?/?\s?(?P<l_b>[+-]\s?{_N})|\s?[/ ]\s?(?P<l_c>0(?:\.0+)?)){_MARK}(?![\d.])\)?",
    ),
    ("one_limit", rf"(?P<o>[+-]\s?{_N})(?![\d./])"),
    (
        "fit",
        r"(?<![A-Za-z])(?P<f>(?:js|JS|[cdefghkmnprsCDEFGHKMNPRS])(?:1[0-3]|[5-9]))"
        r"(?:\s?/\s?(?:js|[a-z])\d{1,2})?(?![A-Za-z0-9.])",
    ),
    (
        "counterbore",
        r"⌴|c'?bore\b|counterbored?\b|spot-?face\b|(?:zylinder|flach|an)?senkung\b",
    ),
    ("countersink", r"⌵|csk\b\.?|c'?sink\b|countersunk\b|countersink\b|kegelsenkung\b"),
    ("drill", r"drill(?:ed)?\b|kernloch\b|kernbohrung\b|vorgebohrt\b|bohrung\b|bore\b|pilot\b"),
    ("circle", r"(?:p\.?c\.?d|b\.?c|l\.?k|t\.?k|lochkreis|teilkreis|bolt circle)\b\.?"),
    ("by", rf"x\s?(?P<by_n>{_SIZE}){_MARK}(?![\d.]|\s?°)"),
    ("number", rf"(?<![A-Za-z\d.])(?P<n>{_SIZE}){_MARK}(?!\d|(?![A-Za-z]{{1,2}}\d)[A-Za-z])"),
    (
        "filler",
        r"(?:innen)?gewinde\b|thread(?:ed)?\b|tapped\b|tap\b|hole\b|loch\b|max\b|min\b|ream(?:ed)?\b"
        r"|gerieben\b|und\b|and\b|equally\b|spaced\b|eq sp\b|gleichmäßig\b|verteilt\b|typ\b|RH\b|mit\b"
        r"|with\b|mm\b|[^\w\s]",
    ),
)
SCANNER = re.compile("|".join(f"(?P<{name}>{pattern})" for name, pattern in _TOKENS), re.IGNORECASE)
