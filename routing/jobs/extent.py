"""How far a job goes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Extent:
    """Without ``papers`` the files are those that the plan alone fills.

    With them they are machined on paper, unless ``dry_run`` (or ``DIEROUTE_DRY_RUN=0``) leaves that out. With
    ``cheaper`` changes to the model are tried once the plan is told.
    """

    papers: bool = True
    dry_run: bool = True
    cheaper: bool = False


WHOLE = Extent()
